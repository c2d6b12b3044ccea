//! On a terminal: every sensor live.

use std::collections::VecDeque;
use std::io;
use std::mem::ManuallyDrop;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, channel};
use std::thread;
use std::time::{Duration, Instant};

use humtick_sim::entry::state_name;
use humtick_sim::listen::{Desk, Listener, Watcher, headline};
use humtick_sim::log::row::Row;
use humtick_sim::log::utc;
use humtick_sim::station::trend::{SECONDS, Trend};
use humtick_sim::station::{News, Sensor};
use mio::Waker;
use ratatui::DefaultTerminal;
use ratatui::Frame;
use ratatui::crossterm::event::{self, Event, KeyCode, KeyEvent, KeyEventKind, KeyModifiers};
use ratatui::layout::{Constraint, Layout, Rect};
use ratatui::style::{Modifier, Style};
use ratatui::symbols::Marker;
use ratatui::text::{Line, Span};
use ratatui::widgets::{
    Axis, Block, Cell, Chart, Dataset, GraphType, Paragraph, Row as TableRow, Table, TableState,
};

use super::super::format::{figures, plain};
use super::{Show, grid};

/// From one picture to the next.
const PICTURE: Duration = Duration::from_millis(250);

/// Lines of what happened that are kept.
const NOTES: usize = 50;

/// Height of what happened, and of the trend of the sensor that is chosen.
const BELOW: u16 = 6;
const TREND: u16 = 12;

/// The terminal while it is a screen.
pub struct Screen {
    /// Its own drop, and `ratatui::restore`, panic where the terminal is gone, and with it standard error.
    terminal: ManuallyDrop<DefaultTerminal>,
    keys: Receiver<KeyEvent>,
    places: Vec<String>,
    notes: VecDeque<(String, bool)>,
    chosen: TableState,
    next: Instant,
    began: Instant,
}

impl Screen {
    /// Takes the terminal over.
    pub fn open(listener: &Listener) -> io::Result<Self> {
        let terminal = ManuallyDrop::new(ratatui::try_init()?);
        let now = Instant::now();
        let chosen = TableState::new().with_selected(0);
        let (places, keys) = (listener.places(), keys(listener.waker()));
        Ok(Self { terminal, keys, places, notes: VecDeque::new(), chosen, next: now, began: now })
    }

    fn say(&mut self, text: String, is_alarm: bool) {
        self.notes.truncate(NOTES - 1);
        self.notes.push_front((text, is_alarm));
    }

    /// Does what keys ask for; whether to go on.
    fn obey(&mut self) -> bool {
        while let Ok(key) = self.keys.try_recv() {
            match key.code {
                KeyCode::Char('q') | KeyCode::Esc => return false,
                KeyCode::Char('c') if key.modifiers.contains(KeyModifiers::CONTROL) => return false,
                KeyCode::Down | KeyCode::Char('j') => self.chosen.select_next(),
                KeyCode::Up | KeyCode::Char('k') => self.chosen.select_previous(),
                KeyCode::PageDown => self.chosen.scroll_down_by(10),
                KeyCode::PageUp => self.chosen.scroll_up_by(10),
                KeyCode::Home => self.chosen.select_first(),
                KeyCode::End => self.chosen.select_last(),
                _ => continue,
            }
            self.next = Instant::now();
        }
        true
    }

    fn draw(&mut self, desk: &Desk, listener: &Listener, now: Instant) -> io::Result<()> {
        let (chosen, notes, places) = (&mut self.chosen, &self.notes, &self.places);
        let began = self.began;
        self.terminal.draw(|frame| {
            let all = frame.area();
            let has_trend = all.height >= 12 + TREND;
            let [head, list, trend, below, keys] = Layout::vertical([
                Constraint::Length(2),
                Constraint::Min(4),
                Constraint::Length(if has_trend { TREND } else { 0 }),
                Constraint::Length(BELOW.min(all.height / 4)),
                Constraint::Length(1),
            ])
            .areas(all);
            frame.render_widget(Paragraph::new(sums(desk, listener, places, now - began)), head);
            table(frame, list, desk, chosen, now);
            let sensor = chosen.selected().and_then(|place| desk.station().sensors().nth(place));
            if let (true, Some((_, sensor))) = (has_trend, sensor) {
                chart(frame, trend, sensor);
            }
            let lines = notes.iter().map(|(text, is_alarm)| Line::styled(text.clone(), look(*is_alarm)));
            let title = Block::bordered().title(" what happened ");
            frame.render_widget(Paragraph::new(lines.collect::<Vec<_>>()).block(title), below);
            frame.render_widget(
                Paragraph::new(" up, down: choose    q: end").style(Style::new().add_modifier(Modifier::DIM)),
                keys,
            );
        })?;
        Ok(())
    }
}

impl Drop for Screen {
    fn drop(&mut self) {
        // A terminal that is gone needs nothing.
        let _ = ratatui::try_restore();
        let _ = self.terminal.show_cursor();
    }
}

/// Keys as they are pressed. From a thread of their own: where a terminal goes away, waiting for its keys never ends.
fn keys(waker: Arc<Waker>) -> Receiver<KeyEvent> {
    let (press, keys) = channel();
    thread::spawn(move || {
        while let Ok(event) = event::read() {
            if let Event::Key(key) = event
                && key.kind != KeyEventKind::Release
            {
                if press.send(key).is_err() {
                    return;
                }
                // Where that fails the next turn looks all the same.
                let _ = waker.wake();
            }
        }
    });
    keys
}

fn look(is_alarm: bool) -> Style {
    if is_alarm { Style::new().add_modifier(Modifier::BOLD | Modifier::REVERSED) } else { Style::new() }
}

fn sums<'a>(desk: &Desk, listener: &Listener, places: &[String], after: Duration) -> Vec<Line<'a>> {
    let station = desk.station();
    let (connections, refused) = listener.connections();
    let outside = station.outside();
    let mut first = vec![Span::raw(format!(
        " {} sensors, {connections} connections, {} s",
        station.sensors().len(),
        after.as_secs()
    ))];
    if outside > 0 {
        first.push(Span::raw("   "));
        first.push(Span::styled(format!("{outside} outside limits"), look(true)));
    }
    if refused > 0 {
        first.push(Span::raw(format!("   {refused} connections turned away")));
    }
    match desk.folder() {
        Some(folder) if folder.is_failing() => {
            first.push(Span::raw("   "));
            first.push(Span::styled("the log cannot be written", look(true)));
        }
        Some(folder) => first.push(Span::raw(format!("   {} readings in the log", folder.counts().0))),
        None => first.push(Span::raw("   not logged")),
    }
    vec![Line::from(first), Line::raw(format!(" {}", plain(&places.join("   "))))]
}

fn table(frame: &mut Frame, area: Rect, desk: &Desk, chosen: &mut TableState, now: Instant) {
    let sensors = desk.station().sensors();
    let (count, height) = (sensors.len(), usize::from(area.height.saturating_sub(3)));
    // Only what can be seen is laid out: a thousand rows four times a second would be work for nothing.
    let selected = chosen.selected().unwrap_or(0).min(count.saturating_sub(1));
    chosen.select(Some(selected));
    let first = chosen.offset().min(selected).max((selected + 1).saturating_sub(height.max(1)));
    *chosen.offset_mut() = first;
    let name = sensors.map(|(_, s)| s.name.as_str().len()).max().unwrap_or(0).clamp(6, 24) as u16;
    // What the other columns leave.
    let wide = usize::from(area.width.saturating_sub(name + 85)).clamp(8, 60);
    let rows = desk.station().sensors().skip(first).take(height).map(|(_, s)| row(s, wide, now));
    let widths = [
        Constraint::Length(name),
        Constraint::Length(wide as u16),
        Constraint::Length(13),
        Constraint::Length(10),
        Constraint::Length(9),
        Constraint::Length(8),
        Constraint::Length(7),
        Constraint::Length(8),
        Constraint::Min(20),
    ];
    let head = ["sensor", "trend", "Hz", "± 95 %", "state", "heard", "lost", "doubled", "grid time"];
    let table = Table::new(rows, widths)
        .header(TableRow::new(head).style(Style::new().add_modifier(Modifier::BOLD)))
        .row_highlight_style(Style::new().add_modifier(Modifier::REVERSED))
        .block(Block::bordered().title(format!(
            " sensors {} to {} of {count} ",
            first + 1,
            (first + height).min(count)
        )));
    let mut seen = TableState::new().with_selected(selected - first);
    if count == 0 {
        let waits = Paragraph::new("nothing heard yet").block(Block::bordered().title(" sensors "));
        return frame.render_widget(waits, area);
    }
    frame.render_stateful_widget(table, area, &mut seen);
}

fn row<'a>(sensor: &'a Sensor, wide: usize, now: Instant) -> TableRow<'a> {
    let heard = now.saturating_duration_since(sensor.heard);
    let (hertz, u95) = figures(sensor.hertz(), sensor.u95());
    let state = match (sensor.is_silent(), sensor.is_outside()) {
        (true, _) => "silent",
        (false, true) => "outside!",
        (false, false) => state_name(sensor.last.state),
    };
    let ahead = grid(sensor).map_or(String::new(), |(ahead, since)| format!("{ahead:+.3} s in {since:.0} s"));
    let (lost, doubled) = (sensor.tally.lost.to_string(), sensor.tally.doubled.to_string());
    let style = if sensor.is_outside() {
        Style::new().add_modifier(Modifier::BOLD)
    } else if sensor.is_silent() {
        Style::new().add_modifier(Modifier::DIM)
    } else {
        Style::new()
    };
    let cells = [
        sensor.name.as_str().into(),
        spark(&sensor.trend, wide),
        hertz,
        u95,
        state.into(),
        ago(heard),
        lost,
        doubled,
        ahead,
    ];
    TableRow::new(cells.map(Cell::from)).style(style)
}

fn ago(silent: Duration) -> String {
    match silent.as_secs() {
        0 | 1 => "now".into(),
        s @ ..120 => format!("{s} s"),
        s @ ..7_200 => format!("{} min", s / 60),
        s => format!("{} h", s / 3_600),
    }
}

/// The latest of a trend in one line, from its least to its most.
fn spark(trend: &Trend, wide: usize) -> String {
    const STEPS: [char; 8] = ['▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];
    let count = trend.points().len();
    let points: Vec<_> = trend.points().skip(count.saturating_sub(wide)).collect();
    let known = || points.iter().flatten().copied();
    let (low, high) = known().fold((f32::INFINITY, f32::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
    // What is steady to 1 mHz is a flat line, not its noise.
    let span = (high - low).max(0.001);
    let step =
        |v: f32| (((v - low) + (span - (high - low)) / 2.0) / span * 7.0).round().clamp(0.0, 7.0) as usize;
    let drawn = points.iter().map(|p| p.map_or(' ', |v| STEPS.get(step(v)).copied().unwrap_or(' ')));
    drawn.collect()
}

fn chart(frame: &mut Frame, area: Rect, sensor: &Sensor) {
    let Some(nominal) = sensor.nominal_hz else { return };
    let count = sensor.trend.points().len();
    let points: Vec<_> = sensor
        .trend
        .points()
        .enumerate()
        .filter_map(|(at, value)| Some((at as f64 - count as f64 + 1.0, f64::from(value?) * 1e3)))
        .collect();
    let (low, high) =
        points.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), (_, v)| (l.min(*v), h.max(*v)));
    if points.is_empty() {
        return;
    }
    let spare = ((high - low) * 0.1).max(0.5);
    let (low, high) = (low - spare, high + spare);
    let middle = f64::midpoint(low, high);
    let label = |v: f64| Span::raw(format!("{v:+8.1}"));
    let chart = Chart::new(vec![
        Dataset::default().marker(Marker::Braille).graph_type(GraphType::Line).data(&points),
    ])
    .block(Block::bordered().title(format!(" {}: mHz off {nominal} Hz ", sensor.name)))
    .x_axis(Axis::default().bounds([1.0 - SECONDS as f64, 0.0]).labels(["5 min ago", "now"]))
    .y_axis(Axis::default().bounds([low, high]).labels([label(low), label(middle), label(high)]));
    frame.render_widget(chart, area);
}

impl Watcher for Screen {
    fn news(&mut self, sensor: &Sensor, row: &Row, news: &News) {
        if let Some((text, is_alarm)) = headline(news) {
            let at = utc::text(row.utc_ms);
            let time = at.get(11..19).unwrap_or_default();
            self.say(format!("{time}  {}: {text}", sensor.name), is_alarm);
        }
    }

    fn note(&mut self, text: &str) {
        self.say(plain(text), false);
    }
}

impl Show for Screen {
    fn show(&mut self, desk: &Desk, listener: &Listener, now: Instant) -> bool {
        if !self.obey() {
            return false;
        }
        if now < self.next {
            return true;
        }
        self.next = now + PICTURE;
        // A terminal that is gone takes the listener with it, as it does other programs.
        self.draw(desk, listener, now).is_ok()
    }

    fn end(&mut self, _: &Desk) {}
}
