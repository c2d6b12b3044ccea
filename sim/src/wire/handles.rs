//! How many handles the system lets a program have.

/// Asks for `wanted` handles, and says how many there may be.
pub fn ask_for(wanted: u64) -> u64 {
    #[cfg(unix)]
    {
        use rustix::process::{Resource, Rlimit, getrlimit, setrlimit};
        let limit = getrlimit(Resource::Nofile);
        let most = limit.maximum.unwrap_or(wanted).min(wanted).max(limit.current.unwrap_or(wanted));
        let raised = setrlimit(Resource::Nofile, Rlimit { current: Some(most), maximum: limit.maximum });
        if raised.is_ok() { most } else { limit.current.unwrap_or(wanted) }
    }
    #[cfg(not(unix))]
    {
        wanted
    }
}
