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

/// Height of what happened, and of the trend of the sensor that is chosen: at most and at least.
const BELOW: u16 = 6;
const TREND: u16 = 12;
const LOW_TREND: u16 = 7;

/// The table's columns, and how wide each is where there is room.
const COLUMNS: [(&str, usize); 9] = [
    ("sensor", 6),
    ("trend", 8),
    ("Hz", 13),
    ("± 95 %", 10),
    ("state", 9),
    ("heard", 8),
    ("lost", 7),
    ("doubled", 8),
    ("grid time", 20),
];
const NAME: usize = 0;
const TREND_COLUMN: usize = 1;

/// From the column that is needed most to the one that is left out first where there is no room.
const NEEDED: [usize; 9] = [NAME, 2, 4, 3, 5, 8, 6, 7, TREND_COLUMN];

/// Most characters of a name, and of a trend in the table.
const LONG_NAME: usize = 24;
const LONG_TREND: usize = 60;

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
        let terminal = ratatui::try_init().inspect_err(|_| {
            // It may have come half of the way.
            let _ = ratatui::try_restore();
        });
        let terminal = ManuallyDrop::new(terminal?);
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
            let happened = BELOW.min(all.height / 4);
            // A trend of one sensor must not hide the others, if they are not too many to be seen in any case.
            let rows = desk.station().sensors().len().min(usize::from(all.height / 4)).max(1) as u16;
            let spare = all.height.saturating_sub(2 + (3 + rows) + happened + 1).min(TREND);
            let has_trend = spare >= LOW_TREND;
            let [head, list, trend, below, keys] = Layout::vertical([
                Constraint::Length(2),
                Constraint::Min(4),
                Constraint::Length(if has_trend { spare } else { 0 }),
                Constraint::Length(happened),
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
            let title = Block::bordered().title(" what happened, UTC ");
            frame.render_widget(Paragraph::new(lines.collect::<Vec<_>>()).block(title), below);
            frame.render_widget(
                Paragraph::new(" up, down, page, end: choose    q: end")
                    .style(Style::new().add_modifier(Modifier::DIM)),
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
    let seen: Vec<_> = desk.station().sensors().skip(first).take(height).map(|(_, s)| s).collect();
    let mut cells: Vec<_> = seen.iter().map(|sensor| (cells(sensor, now), style(sensor))).collect();
    let name = sensors.map(|(_, s)| s.name.as_str().len()).max().unwrap_or(0).clamp(6, LONG_NAME);
    let columns =
        columns(usize::from(area.width.saturating_sub(2)), name, cells.iter().map(|(cells, _)| cells));
    if let Some((_, wide)) = columns.iter().find(|(column, _)| *column == TREND_COLUMN) {
        cells.iter_mut().zip(seen).for_each(|((cells, _), s)| cells[TREND_COLUMN] = spark(&s.trend, *wide));
    }
    let rows = cells.into_iter().map(|(mut cells, style)| {
        let shown = columns.iter().map(|(column, _)| Cell::from(std::mem::take(&mut cells[*column])));
        TableRow::new(shown.collect::<Vec<_>>()).style(style)
    });
    let head = columns.iter().map(|(column, _)| COLUMNS[*column].0);
    let widths = columns.iter().map(|(_, wide)| Constraint::Length(*wide as u16));
    let table = Table::new(rows, widths)
        .header(TableRow::new(head).style(Style::new().add_modifier(Modifier::BOLD)))
        .row_highlight_style(Style::new().add_modifier(Modifier::REVERSED))
        .block(Block::bordered().title(format!(
            " sensors {} to {} of {count} ",
            first + 1,
            (first + height).min(count)
        )));
    let mut state = TableState::new().with_selected(selected - first);
    if count == 0 {
        let waits = Paragraph::new("nothing heard yet").block(Block::bordered().title(" sensors "));
        return frame.render_widget(waits, area);
    }
    frame.render_stateful_widget(table, area, &mut state);
}

/// The columns there is room for, and how wide: as wide as is good to look at, else as what is in them, else fewer. A figure is never cut.
fn columns<'a>(
    room: usize,
    name: usize,
    rows: impl Iterator<Item = &'a [String; COLUMNS.len()]>,
) -> Vec<(usize, usize)> {
    let mut narrow = COLUMNS.map(|(head, _)| head.chars().count());
    for row in rows {
        narrow.iter_mut().zip(row).for_each(|(wide, cell)| *wide = cell.chars().count().max(*wide));
    }
    (narrow[NAME], narrow[TREND_COLUMN]) = (name.min(room), COLUMNS[TREND_COLUMN].1);
    let mut wide = narrow;
    wide.iter_mut().zip(COLUMNS).for_each(|(wide, (_, good))| *wide = good.max(*wide));
    if let Some(spare) = room.checked_sub(wide.iter().sum::<usize>() + COLUMNS.len() - 1) {
        wide[TREND_COLUMN] = (wide[TREND_COLUMN] + spare).min(LONG_TREND);
        return wide.into_iter().enumerate().collect();
    }
    let mut left = room + 1;
    let fits = |column: &usize| match left.checked_sub(narrow[*column] + 1) {
        Some(rest) => {
            left = rest;
            true
        }
        None => false,
    };
    let mut columns: Vec<_> =
        NEEDED.into_iter().take_while(fits).map(|column| (column, narrow[column])).collect();
    columns.sort_unstable();
    columns
}

fn style(sensor: &Sensor) -> Style {
    if sensor.is_outside() {
        Style::new().add_modifier(Modifier::BOLD)
    } else if sensor.is_silent() {
        Style::new().add_modifier(Modifier::DIM)
    } else {
        Style::new()
    }
}

/// What is in a sensor's row; its trend comes once it is known how wide.
fn cells(sensor: &Sensor, now: Instant) -> [String; COLUMNS.len()] {
    let heard = now.saturating_duration_since(sensor.heard);
    let (hertz, u95) = figures(sensor.hertz(), sensor.u95());
    let state = match (sensor.is_silent(), sensor.is_outside()) {
        (true, _) => "silent",
        (false, true) => "outside!",
        (false, false) => state_name(sensor.last.state),
    };
    let ahead = grid(sensor).map_or(String::new(), |(ahead, since)| format!("{ahead:+.3} s in {since:.0} s"));
    let (lost, doubled) = (sensor.tally.lost.to_string(), sensor.tally.doubled.to_string());
    let name = sensor.name.to_string();
    [name, String::new(), hertz, u95, state.into(), ago(heard), lost, doubled, ahead]
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
    // No negative zero.
    let label = |v: f64| Span::raw(format!("{:+8.1}", if v.abs() < 0.05 { 0.0 } else { v }));
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
