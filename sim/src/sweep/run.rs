//! Trials dealt out to threads, one at a time: a thread that is done takes the next.

use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc::channel;

use super::measure::{Figures, Readings};
use crate::scenario::Scenario;
use crate::score::Score;
use crate::settings::SettingsError;
use crate::trial::simulate;

/// A trial to run.
pub struct Job {
    /// Shared by all seeds.
    pub scenario: Arc<Scenario>,
    /// In place of its own.
    pub seed: u64,
}

impl Job {
    fn run(&self, threads: usize) -> Result<Score, SettingsError> {
        let scenario = Scenario { seed: self.seed, ..(*self.scenario).clone() };
        simulate(&scenario, threads, |_| {})
    }
}

/// The figures of all `jobs`, in their order, whatever the number of threads; `progress` is told how many simulated seconds are done.
///
/// # Errors
/// The first job's whose meter cannot be made.
pub fn all(
    jobs: &[Job],
    readings: Readings,
    threads: usize,
    mut progress: impl FnMut(f64),
) -> Result<Vec<Figures>, SettingsError> {
    let next = AtomicUsize::new(0);
    let (sender, receiver) = channel();
    // Where there are fewer trials than cores, a trial has several of them.
    let workers = threads.clamp(1, jobs.len().max(1));
    let each = threads.max(1) / workers;
    let mut figures = vec![None; jobs.len()];
    std::thread::scope(|scope| {
        for _ in 0..workers {
            let (next, sender) = (&next, sender.clone());
            scope.spawn(move || {
                while let place = next.fetch_add(1, Ordering::Relaxed)
                    && let Some(job) = jobs.get(place)
                {
                    let result = job.run(each).map(|score| Figures::new(&score, readings));
                    let failed = result.is_err();
                    if sender.send((place, result)).is_err() || failed {
                        // Nobody takes another.
                        next.store(jobs.len(), Ordering::Relaxed);
                    }
                }
            });
        }
        drop(sender);
        let mut seconds = 0.0;
        let mut failure = None;
        for (place, result) in receiver {
            seconds += jobs.get(place).map_or(0.0, |job| job.scenario.duration_s);
            progress(seconds);
            match result {
                Ok(found) => figures[place] = Some(found),
                Err(error) => failure = failure.or(Some(error)),
            }
        }
        failure.map_or(Ok(()), Err)
    })?;
    // A job without figures has failed, and that was told above.
    Ok(figures.into_iter().flatten().collect())
}
