//! A meter whose window, estimator and polarities were chosen at run time.

use humtick::limit::{MAX_BOTH, MAX_CROSSINGS, MAX_TAPERED};
use humtick::{
    Biweight, Config, Edge, EndToEnd, Estimator, Hann, Kaiser6, LastPeriod, LeastSquares, Meter, Reading,
    Stamp, State, Triangular, Verdict,
};

use crate::settings::{EstimatorKind, MeterSettings, PolarityKind, SettingsError};

/// What a meter does, whatever it is made of.
pub trait Engine {
    /// Takes an edge.
    fn push(&mut self, edge: Edge) -> Verdict;
    /// Time has come to `now`.
    fn idle(&mut self, now: Stamp);
    /// The reading that has fallen due, with its rate of change.
    fn take_reading(&mut self) -> Option<Reading>;
    /// The same without it, in less time.
    fn take_plain_reading(&mut self) -> Option<Reading>;
    /// Whether the mains is being followed.
    fn state(&self) -> State;
}

impl<const N: usize, E: Estimator, const CHAINS: usize> Engine for Meter<N, E, CHAINS> {
    fn push(&mut self, edge: Edge) -> Verdict {
        self.push(edge)
    }

    fn idle(&mut self, now: Stamp) {
        self.idle(now);
    }

    fn take_reading(&mut self) -> Option<Reading> {
        self.take_full_reading()
    }

    fn take_plain_reading(&mut self) -> Option<Reading> {
        self.take_reading()
    }

    fn state(&self) -> State {
        self.state()
    }
}

/// A meter with room for the longer of its windows at the highest frequency, if the largest has it.
///
/// # Errors
/// Settings that do not fit `config`'s tick rate, and tapered windows of more crossings than they take.
pub fn engine(settings: &MeterSettings, config: &Config) -> Result<Box<dyn Engine>, SettingsError> {
    match settings.estimator {
        EstimatorKind::LastPeriod => any::<LastPeriod>(settings, config),
        EstimatorKind::EndToEnd => any::<EndToEnd>(settings, config),
        EstimatorKind::Triangular => any::<Triangular>(settings, config),
        EstimatorKind::LeastSquares => any::<LeastSquares>(settings, config),
        EstimatorKind::Biweight => tapered::<Biweight>(settings, config),
        EstimatorKind::Hann => tapered::<Hann>(settings, config),
        EstimatorKind::Kaiser => tapered::<Kaiser6>(settings, config),
    }
}

/// Most crossings of one polarity that the settings ask for.
pub fn crossings(settings: &MeterSettings) -> f64 {
    settings.window_s.max(settings.rocof_s) * settings.nominal.range_hz().1 + 2.0
}

/// The most crossings of one polarity that these settings' window can hold.
pub const fn capacity(settings: &MeterSettings) -> usize {
    match (settings.estimator, settings.polarity) {
        (EstimatorKind::Biweight | EstimatorKind::Hann | EstimatorKind::Kaiser, _) => MAX_TAPERED,
        (_, PolarityKind::Both) => MAX_BOTH,
        _ => MAX_CROSSINGS,
    }
}

fn any<E: Estimator + 'static>(
    settings: &MeterSettings,
    config: &Config,
) -> Result<Box<dyn Engine>, SettingsError> {
    match (crossings(settings), settings.polarity == PolarityKind::Both) {
        (..=64.0, false) => boxed::<64, E, 1>(config),
        (..=64.0, true) => boxed::<64, E, 2>(config),
        (..=1_024.0, false) => boxed::<1_024, E, 1>(config),
        (..=1_024.0, true) => boxed::<1_024, E, 2>(config),
        (_, false) => boxed::<MAX_CROSSINGS, E, 1>(config),
        (_, true) => boxed::<MAX_BOTH, E, 2>(config),
    }
}

fn tapered<E: Estimator + 'static>(
    settings: &MeterSettings,
    config: &Config,
) -> Result<Box<dyn Engine>, SettingsError> {
    match (crossings(settings), settings.polarity == PolarityKind::Both) {
        (..=64.0, false) => boxed::<64, E, 1>(config),
        (..=64.0, true) => boxed::<64, E, 2>(config),
        (_, false) => boxed::<MAX_TAPERED, E, 1>(config),
        (_, true) => boxed::<MAX_TAPERED, E, 2>(config),
    }
}

fn boxed<const N: usize, E: Estimator + 'static, const CHAINS: usize>(
    config: &Config,
) -> Result<Box<dyn Engine>, SettingsError> {
    let meter = Meter::<N, E, CHAINS>::new(config);
    let fault = |e| SettingsError::Value(format!("{e} (at {} ticks a second)", config.rate.hz()));
    Ok(Box::new(meter.map_err(fault)?))
}
