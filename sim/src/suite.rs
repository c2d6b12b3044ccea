//! A folder of scenarios, each against its limits: the regression test of a filter's settings.
//!
//! ```text
//! folder -> [find] -> items (a scenario, a case of one, a recording with what is expected of it) -> [run] -> outcomes -> [baseline]
//! ```

pub mod baseline;
pub mod junit;
mod outcome;
pub mod overview;

use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc;
use std::thread;

use crate::board;
use crate::report::Report;
use crate::scenario::Instead;
use crate::settings::Changes;
use crate::trial::Trial;
use crate::write::{self, WriteError};

pub use outcome::{Figures, Outcome, Verdict};

/// What a suite runs: one case of one file.
#[derive(Clone, Debug)]
pub struct Item {
    /// The file's path below the folder, without its ending, and in brackets which case of it.
    pub name: String,
    /// The file, from where the folder was given.
    pub file: PathBuf,
    /// What is tried, or why there is nothing.
    pub trial: Result<Trial, String>,
}

/// The items in all files below `folder` that end in `.toml`, in the order of their paths, and of the cases in each: what cannot be read is an
/// item too, that says why. `folder` may be one such file. Names that begin with a dot are left out, and links to folders.
///
/// With `changes`, every meter has what these name in place of its own; their file is no scenario, wherever it lies.
///
/// # Errors
/// The folder itself cannot be read, or holds nothing.
pub fn find(folder: &Path, changes: Option<&Changes>) -> Result<Vec<Item>, String> {
    let shown = folder.display();
    let meta = fs::metadata(folder).map_err(|e| format!("{shown}: {e}"))?;
    let mut items = Vec::new();
    if meta.is_file() {
        let name = name_of(folder, folder.parent().unwrap_or(folder));
        items_of(&mut items, name, folder, changes);
        return Ok(items);
    }
    let mut files = Vec::new();
    fs::read_dir(folder).map_err(|e| format!("{shown}: {e}"))?;
    walk(folder, &mut files);
    files.retain(|(file, _)| !changes.is_some_and(|changes| write::are_one(file, changes.path())));
    files.sort_by(|a, b| a.0.cmp(&b.0));
    if files.is_empty() {
        return Err(format!(
            "{shown}: no file below it ends in .toml; expected scenarios, or recordings with expect.toml"
        ));
    }
    let names: Vec<_> = files.iter().map(|(file, _)| name_of(file, folder)).collect();
    for ((file, readable), name) in files.into_iter().zip(&names) {
        // A scenario and what is expected of a recording beside it, both called saw: a baseline goes by the name.
        let is_only = names.iter().filter(|other| *other == name).count() == 1;
        let name = if is_only { name.clone() } else { path_of(&file, folder) };
        match readable {
            Ok(()) => items_of(&mut items, name, &file, changes),
            Err(error) => items.push(Item { name, trial: Err(error), file }),
        }
    }
    Ok(items)
}

/// Files of scenarios below `folder`; folders that cannot be read, with the reason.
fn walk(folder: &Path, files: &mut Vec<(PathBuf, Result<(), String>)>) {
    let entries = match fs::read_dir(folder) {
        Ok(entries) => entries,
        Err(error) => return files.push((folder.into(), Err(format!("{}: {error}", folder.display())))),
    };
    for entry in entries {
        let entry = match entry {
            Ok(entry) => entry,
            Err(error) => {
                files.push((folder.into(), Err(format!("{}: {error}", folder.display()))));
                continue;
            }
        };
        let (path, name) = (entry.path(), entry.file_name());
        if name.to_string_lossy().starts_with('.') {
            continue;
        }
        if entry.file_type().is_ok_and(|kind| kind.is_dir()) {
            walk(&path, files);
        } else if path.extension().is_some_and(|ending| ending == "toml") {
            // A pipe would be waited for without end.
            let ordinary = fs::metadata(&path).map_or(true, |meta| meta.is_file());
            let why = || format!("{}: is no ordinary file", path.display());
            let readable = if ordinary { Ok(()) } else { Err(why()) };
            files.push((path, readable));
        }
    }
}

fn items_of(items: &mut Vec<Item>, name: String, file: &Path, changes: Option<&Changes>) {
    let text = fs::read_to_string(file).map_err(|e| format!("{}: {e}", file.display()));
    let trials =
        text.and_then(|text| Trial::cases(&text, file, Instead::default()).map_err(|e| e.to_string()));
    match trials {
        Ok(trials) => items.extend(trials.into_iter().map(|trial| {
            let name = match trial.label() {
                "" => name.clone(),
                label => format!("{name} [{label}]"),
            };
            let trial = Ok(match changes {
                Some(changes) => trial.with_changes(changes),
                None => trial,
            });
            Item { name, file: file.into(), trial }
        })),
        Err(error) => items.push(Item { name, file: file.into(), trial: Err(error) }),
    }
}

/// `mains/saw` of `mains/saw.toml`, of `mains/saw.expect.toml` and of `mains/saw/expect.toml` in `folder`, on every system.
fn name_of(file: &Path, folder: &Path) -> String {
    let name = path_of(file, folder);
    name.strip_suffix(".expect").or_else(|| name.strip_suffix("/expect")).unwrap_or(&name).to_owned()
}

/// `mains/saw.expect` of `mains/saw.expect.toml`.
fn path_of(file: &Path, folder: &Path) -> String {
    let below = file.strip_prefix(folder).unwrap_or(file);
    let parts: Vec<_> = below.components().map(|part| part.as_os_str().to_string_lossy()).collect();
    let path = parts.join("/");
    path.strip_suffix(".toml").unwrap_or(&path).to_owned()
}

/// Runs `items` on so many threads and gives what came of each, in their order, with `pages` a page of each too; `done` is told as they are
/// finished.
///
/// # Errors
/// The first page that could not be written.
pub fn run(
    items: &[Item],
    threads: usize,
    pages: Option<&Pages>,
    mut done: impl FnMut(&Outcome),
) -> Result<Vec<Outcome>, WriteError> {
    let lasts = |item: &Item| item.trial.as_ref().map_or(0.0, |trial| trial.scenario().duration_s);
    let mut order: Vec<_> = items.iter().enumerate().collect();
    // The longest first, so that none is left over for one thread at the end.
    order.sort_by(|a, b| lasts(b.1).total_cmp(&lasts(a.1)));
    let next = AtomicUsize::new(0);
    let (to, from) = mpsc::channel();
    let mut outcomes: Vec<Option<Outcome>> = items.iter().map(|_| None).collect();
    let mut failed = None;
    thread::scope(|scope| {
        for _ in 0..threads.clamp(1, items.len().max(1)) {
            let (to, next, order) = (to.clone(), &next, &order);
            scope.spawn(move || {
                while let Some((place, item)) = order.get(next.fetch_add(1, Ordering::Relaxed)) {
                    // Nobody listens any more: the others stop too.
                    if to.send((*place, tried(item, pages.map(|pages| pages.path(*place))))).is_err() {
                        return;
                    }
                }
            });
        }
        drop(to);
        for (place, outcome) in from {
            match outcome {
                Ok(outcome) => {
                    done(&outcome);
                    outcomes[place] = Some(outcome);
                }
                Err(error) => {
                    failed = Some(error);
                    break;
                }
            }
        }
    });
    failed.map_or_else(|| Ok(outcomes.into_iter().flatten().collect()), Err)
}

/// For tests: runs everything below `folder`, with what the file `settings` names in place of each meter's own if there is one, and gives
/// what came of it if every limit is kept.
///
/// # Errors
/// Otherwise a text for people: what is broken, by how much and when, and the command that shows it; or what cannot be read.
pub fn check(folder: &Path, settings: Option<&Path>) -> Result<Vec<Outcome>, String> {
    let read = |path| Changes::from_file(path).map_err(|e| e.to_string());
    let items = find(folder, settings.map(read).transpose()?.as_ref())?;
    let outcomes = run(&items, board::threads(), None, |_| {}).map_err(|e| e.to_string())?;
    let told: String = outcomes.iter().filter_map(|outcome| outcome.explained(settings)).collect();
    if told.is_empty() { Ok(outcomes) } else { Err(told) }
}

fn tried(item: &Item, page: Option<PathBuf>) -> Result<Outcome, WriteError> {
    let trial = match &item.trial {
        Ok(trial) => trial,
        Err(error) => return Ok(Outcome::unreadable(item, error.clone())),
    };
    let mut report = page.as_ref().map(|_| Report::new(trial.scenario()));
    let score = trial.run_with(1, |scored| {
        if let Some(report) = &mut report {
            report.take(scored);
        }
    });
    let score = match score {
        Ok(score) => score,
        Err(error) => return Ok(Outcome::unreadable(item, error.to_string())),
    };
    if let (Some(path), Some(report)) = (page, report) {
        let page = report.page(trial.scenario(), trial.text(), &score);
        write::whole(&path, |to| to.write_all(page.as_bytes()))?;
    }
    Ok(Outcome::new(item, trial, &score))
}

/// Where the pages of a suite's items go.
#[derive(Clone, Debug)]
pub struct Pages {
    folder: PathBuf,
    names: Vec<String>,
}

impl Pages {
    /// Into `folder`, each called after its item; `index.html` is left for the overview.
    pub fn new(folder: &Path, items: &[Item]) -> Self {
        let mut taken = std::collections::BTreeSet::from(["index".to_owned()]);
        let names = items.iter().map(|item| {
            let plain = slug(&item.name);
            let numbered = |n: u32| if n == 1 { plain.clone() } else { format!("{plain}-{n}") };
            // Some number is free: there are fewer names than numbers.
            let name = (1..).map(numbered).find(|name| taken.insert(name.clone())).unwrap_or(plain.clone());
            format!("{name}.html")
        });
        Self { folder: folder.into(), names: names.collect() }
    }

    /// The page's name within the folder.
    pub fn name(&self, place: usize) -> &str {
        &self.names[place]
    }

    fn path(&self, place: usize) -> PathBuf {
        self.folder.join(self.name(place))
    }
}

/// `name` as the name of a file on every system and in every link: small letters, figures, dots and hyphens, 80 at most.
pub fn slug(name: &str) -> String {
    let mut slug = String::new();
    for c in name.chars() {
        match c {
            // A minus sign stays, or -5 would be 5.
            'a'..='z' | '0'..='9' | '.' | '-' => slug.push(c),
            'A'..='Z' => slug.push(c.to_ascii_lowercase()),
            _ if slug.ends_with('-') => {}
            _ => slug.push('-'),
        }
        if slug.len() == 80 {
            break;
        }
    }
    let slug = slug.trim_matches(['-', '.']);
    if slug.is_empty() { "scenario".into() } else { slug.into() }
}

#[cfg(test)]
mod tests;
