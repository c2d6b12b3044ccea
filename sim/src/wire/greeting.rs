//! What goes beside the readings on a TCP connection: the sensor's name ahead of them, and back from the far end how many lines it has.
//!
//! Both are optional and told from readings by their first word. `core/LINK.md` describes them.

use std::fmt;
use std::str::FromStr;

use super::address::Address;

/// Most bytes of a name.
pub const MAX_NAME: usize = 48;

/// A sensor's name: 1 to 48 letters, figures, `.`, `_` and `-` of ASCII, the first a letter or figure, so that it can be a file's name and a
/// level of an MQTT topic.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Name(String);

/// No name.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error(
    "a sensor's name has 1 to 48 letters, figures, . _ and - of ASCII, and begins with a letter or figure: {0:?}"
)]
pub struct NameError(String);

impl FromStr for Name {
    type Err = NameError;

    fn from_str(text: &str) -> Result<Self, NameError> {
        let fits = text.len() <= MAX_NAME
            && text.starts_with(|c: char| c.is_ascii_alphanumeric())
            && text.bytes().all(|b| b.is_ascii_alphanumeric() || b"._-".contains(&b));
        if fits { Ok(Self(text.into())) } else { Err(NameError(text.into())) }
    }
}

impl Name {
    /// The name that `text` becomes when every character that may not be is `-`: of addresses, say.
    pub fn like(text: &str) -> Self {
        let fitting = |c: char| if c.is_ascii_alphanumeric() || "._-".contains(c) { c } else { '-' };
        let text: String = text.chars().map(fitting).collect();
        let text = text.trim_start_matches(|c: char| !c.is_ascii_alphanumeric());
        let text = &text[..text.len().min(MAX_NAME)];
        Self(if text.is_empty() { "sensor".into() } else { text.into() })
    }

    /// What a sensor is called by where its lines come from, for want of anything better.
    pub fn of(address: &Address) -> Self {
        match address {
            Address::Serial { path, .. } => {
                Self::like(&path.file_name().unwrap_or_default().to_string_lossy())
            }
            Address::Tcp(host) | Address::UdpTo(host) => Self::like(&host.name),
            Address::Mqtt { topic, .. } => Self::like(topic),
            Address::TcpListen(at) | Address::Udp(at) => Self::like(&at.ip().to_string()),
            Address::Pty { link: Some(link) } => {
                Self::like(&link.file_name().unwrap_or_default().to_string_lossy())
            }
            Address::Pty { link: None } => Self::like("terminal"),
            Address::Standard => Self::like("sensor"),
        }
    }

    /// The name as text.
    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// The line that says it, CR and LF included: the first of a connection.
    pub fn line(&self) -> String {
        format!("name {self}\r\n")
    }

    /// The same ahead of frames, which end with a zero, and so does it.
    pub fn frame(&self) -> Vec<u8> {
        format!("name {self}\0").into_bytes()
    }

    /// The name in a line without its LF, or in a frame without its zero; `None` if it says none.
    ///
    /// # Errors
    /// If what it says is no name.
    pub fn in_line(line: &[u8]) -> Option<Result<Self, NameError>> {
        Some(std::str::from_utf8(line).ok()?.trim_end_matches('\r').strip_prefix("name ")?.parse())
    }
}

impl fmt::Display for Name {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

/// The line that says that so many readings of this connection are kept, CR and LF included.
pub fn receipt(lines: u64) -> String {
    format!("kept {lines}\r\n")
}

/// How many there are by a line without its LF.
pub fn receipted(line: &[u8]) -> Option<u64> {
    let text = std::str::from_utf8(line).ok()?.trim_end_matches('\r').strip_prefix("kept ")?;
    if text.bytes().all(|b| b.is_ascii_digit()) { text.parse().ok() } else { None }
}

/// After so many lines without a reading somebody should look: a second of most sensors.
pub(crate) const DOUBTFUL: u64 = 10;

/// What is said then of `who` sent them.
pub(crate) fn no_reading(who: &str) -> String {
    format!(
        "{who}: {DOUBTFUL} lines came and none is a reading; expected lines of the link (core/LINK.md): is the baud rate another, or does \
         the sensor send bare numbers?"
    )
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn names_and_receipts_read_back() {
        let name: Name = "cold-store.2".parse().unwrap();
        assert_eq!(name.line(), "name cold-store.2\r\n");
        assert_eq!(Name::in_line(b"name cold-store.2\r"), Some(Ok(name)));
        assert_eq!(receipt(70_000), "kept 70000\r\n");
        assert_eq!(receipted(b"kept 70000\r"), Some(70_000));
        for wrong in ["", "-a", "../a", "a b", "a/b", "caf\u{e9}", &"a".repeat(49)] {
            assert!(wrong.parse::<Name>().is_err(), "{wrong}");
            assert!(Name::in_line(format!("name {wrong}").as_bytes()).unwrap().is_err());
        }
        for wrong in ["kept", "kept ", "kept +1", "kept -1", "kept 1 ", "kept 99999999999999999999"] {
            assert_eq!(receipted(wrong.as_bytes()), None, "{wrong}");
        }
        assert_eq!(Name::like("[::1]:7311").as_str(), "1--7311");
        assert_eq!(Name::like("\u{e9}").as_str(), "sensor");
    }

    proptest! {
        #[test]
        fn what_is_like_a_text_is_a_name(text in "\\PC{0,60}") {
            let name = Name::like(&text);
            prop_assert_eq!(Name::in_line(name.line().trim_end().as_bytes()), Some(Ok(name)));
        }

        #[test]
        fn no_bytes_panic(bytes in prop::collection::vec(any::<u8>(), 0..80)) {
            let _ = (Name::in_line(&bytes), receipted(&bytes));
        }
    }
}
