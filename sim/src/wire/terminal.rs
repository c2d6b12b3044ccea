//! Serial ports and pseudo-terminals, in raw mode: bytes pass as they are.

use std::fs::{File, OpenOptions};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

/// A pseudo-terminal of our own: the other program opens its far side like a serial port, and may close and open it again.
#[derive(Debug)]
pub struct Pty {
    /// The near side: what is written here is read there, and the other way round.
    pub near: File,
    /// Path of the far side.
    pub far: PathBuf,
    /// Keeps the far side open, so that the near one does not end when the other program closes it.
    _far: File,
    link: Option<PathBuf>,
}

/// Links to terminals that are open.
static LINKS: Mutex<Vec<PathBuf>> = Mutex::new(Vec::new());

/// Removes `links` from the list, and from the disk.
fn remove(links: impl Fn(&Path) -> bool) {
    LINKS.lock().unwrap_or_else(PoisonError::into_inner).retain(|link| {
        if links(link) {
            // It may have been taken away by others; there is nobody left to tell.
            let _ = std::fs::remove_file(link);
        }
        !links(link)
    });
}

/// For a program that ends while its threads still have terminals: what they would remove when they are done with them.
pub fn remove_links() {
    remove(|_| true);
}

impl Drop for Pty {
    fn drop(&mut self) {
        if let Some(link) = &self.link {
            remove(|other| other == link);
        }
    }
}

/// Opens a serial port: 8 data bits, no parity, 1 stop bit, no flow control, no modem lines.
///
/// # Errors
/// If there is no such port, it is no terminal, or it cannot be so fast.
pub fn serial(path: &Path, baud: u32) -> io::Result<File> {
    let mut options = OpenOptions::new();
    options.read(true).write(true);
    let file = unix::open(&options, path)?;
    unix::raw(&file, Some(baud))?;
    Ok(file)
}

/// Makes a pseudo-terminal, and `link` a symbolic link to its far side if it is given.
///
/// # Errors
/// If the system has none left, or something other than an old link is at `link`.
pub fn pty(link: Option<&Path>) -> io::Result<Pty> {
    let (near, far) = unix::pair()?;
    let kept = unix::open(OpenOptions::new().read(true).write(true), &far)?;
    unix::raw(&kept, None)?;
    if let Some(link) = link {
        // One that a killed program left behind.
        if link.symlink_metadata().is_ok_and(|old| old.is_symlink()) {
            std::fs::remove_file(link)?;
        }
        unix::link(&far, link)?;
        LINKS.lock().unwrap_or_else(PoisonError::into_inner).push(link.into());
    }
    Ok(Pty { near, far, _far: kept, link: link.map(Into::into) })
}

/// From now on reads and writes of the port do not wait.
///
/// # Errors
/// The system's.
pub fn set_nonblocking(file: &File) -> io::Result<()> {
    unix::set_nonblocking(file)
}

#[cfg(unix)]
mod unix {
    use std::ffi::OsStr;
    use std::os::unix::ffi::OsStrExt;
    use std::os::unix::fs::OpenOptionsExt;

    use rustix::fs::{OFlags, fcntl_getfl, fcntl_setfl};
    use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
    use rustix::termios::{ControlModes, OptionalActions, SpecialCodeIndex, tcgetattr, tcsetattr};

    use super::*;

    /// Without waiting for a modem's carrier, and without becoming the program's terminal.
    pub fn open(options: &OpenOptions, path: &Path) -> io::Result<File> {
        let flags = (OFlags::NOCTTY | OFlags::NONBLOCK).bits().cast_signed();
        let file = options.clone().custom_flags(flags).open(path)?;
        fcntl_setfl(&file, fcntl_getfl(&file)? - OFlags::NONBLOCK)?;
        Ok(file)
    }

    pub fn set_nonblocking(file: &File) -> io::Result<()> {
        Ok(fcntl_setfl(file, fcntl_getfl(file)? | OFlags::NONBLOCK)?)
    }

    pub fn raw(file: &File, baud: Option<u32>) -> io::Result<()> {
        let mut settings = tcgetattr(file)?;
        settings.make_raw();
        settings.control_modes |= ControlModes::CLOCAL | ControlModes::CREAD;
        settings.control_modes -= ControlModes::CSTOPB | ControlModes::CRTSCTS;
        settings.special_codes[SpecialCodeIndex::VMIN] = 1;
        settings.special_codes[SpecialCodeIndex::VTIME] = 0;
        if let Some(baud) = baud {
            settings.set_speed(baud)?;
        }
        Ok(tcsetattr(file, OptionalActions::Now, &settings)?)
    }

    pub fn pair() -> io::Result<(File, PathBuf)> {
        let near = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY)?;
        grantpt(&near)?;
        unlockpt(&near)?;
        let far = ptsname(&near, Vec::new())?;
        Ok((near.into(), OsStr::from_bytes(far.to_bytes()).into()))
    }

    pub use std::os::unix::fs::symlink as link;
}

/// Where there are no such terminals.
#[cfg(not(unix))]
mod unix {
    use super::*;

    fn none<T>() -> io::Result<T> {
        let why = "serial ports and pseudo-terminals are for Unix systems; use tcp:// or standard input here";
        Err(io::Error::new(io::ErrorKind::Unsupported, why))
    }

    pub fn open(_: &OpenOptions, _: &Path) -> io::Result<File> {
        none()
    }

    pub fn set_nonblocking(_: &File) -> io::Result<()> {
        none()
    }

    pub fn raw(_: &File, _: Option<u32>) -> io::Result<()> {
        none()
    }

    pub fn pair() -> io::Result<(File, PathBuf)> {
        none()
    }

    pub fn link(_: &Path, _: &Path) -> io::Result<()> {
        none()
    }
}

#[cfg(all(test, unix))]
mod tests {
    use std::io::{Read, Write};

    use super::*;

    /// Every byte passes, the far side may be opened, closed and opened again, and the link goes with the terminal.
    #[test]
    fn bytes_pass_as_they_are() {
        let folder = tempfile::tempdir().unwrap();
        let link = folder.path().join("sensor");
        let mut pty = pty(Some(&link)).unwrap();
        let bytes: Vec<u8> = (0..=255).collect();
        let mut read = [0; 256];
        for _ in 0..2 {
            let mut far = serial(&link, 115_200).unwrap();
            far.write_all(&bytes).unwrap();
            pty.near.read_exact(&mut read).unwrap();
            assert_eq!(read[..], bytes);
            pty.near.write_all(&bytes).unwrap();
            read.fill(0);
            far.read_exact(&mut read).unwrap();
            assert_eq!(read[..], bytes);
        }
        drop(pty);
        assert!(link.symlink_metadata().is_err());
    }

    #[test]
    fn what_is_no_port_is_refused_and_files_are_left_alone() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("kept");
        std::fs::write(&file, "a").unwrap();
        assert!(serial(&file, 9_600).is_err());
        assert!(serial(&folder.path().join("none"), 9_600).is_err());
        assert!(pty(Some(&file)).is_err());
        assert_eq!(std::fs::read(&file).unwrap(), b"a");
    }
}
