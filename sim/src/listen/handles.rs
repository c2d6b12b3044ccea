//! How many connections the system lets there be.

/// Connections there may be, unless the system allows fewer files: more than sensors, since some will be dead.
const MOST_CONNECTIONS: usize = 20_000;

/// Files for logs and everything else.
const OTHER_FILES: u64 = 600;

/// Connections that the system allows, after asking for as many as may be had.
pub fn most_connections() -> usize {
    #[cfg(unix)]
    {
        use rustix::process::{Resource, Rlimit, getrlimit, setrlimit};
        let limit = getrlimit(Resource::Nofile);
        let wanted = MOST_CONNECTIONS as u64 + OTHER_FILES;
        let most = limit.maximum.unwrap_or(wanted).min(wanted).max(limit.current.unwrap_or(wanted));
        let raised = setrlimit(Resource::Nofile, Rlimit { current: Some(most), maximum: limit.maximum });
        let files = if raised.is_ok() { most } else { limit.current.unwrap_or(wanted) };
        usize::try_from(files.saturating_sub(OTHER_FILES).max(files / 2))
            .unwrap_or(usize::MAX)
            .min(MOST_CONNECTIONS)
    }
    #[cfg(not(unix))]
    {
        MOST_CONNECTIONS
    }
}
