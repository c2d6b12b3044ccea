//! What the linked firmware says of itself: its sections and symbols (ELF, 32 bits, little end first).

use std::collections::BTreeMap;
use std::error::Error;

/// Data space begins here in an AVR's ELF file.
const DATA_SPACE: u32 = 0x80_0000;

/// Sections by name and symbols by name.
pub struct Symbols {
    sections: BTreeMap<String, u32>,
    symbols: BTreeMap<String, u32>,
}

impl Symbols {
    /// Reads the ELF file at `path`.
    pub fn of(path: &str) -> Result<Self, Box<dyn Error>> {
        let file = std::fs::read(path).map_err(|error| format!("{path}: {error}"))?;
        Self::parse(&file).ok_or_else(|| format!("{path}: not an ELF file of 32 bits").into())
    }

    fn parse(file: &[u8]) -> Option<Self> {
        let half = |at: usize| Some(u16::from_le_bytes(file.get(at..at + 2)?.try_into().ok()?) as usize);
        let word = |at: usize| Some(u32::from_le_bytes(file.get(at..at + 4)?.try_into().ok()?));
        let text = |table: usize, at: u32| {
            let bytes = file.get(table + at as usize..)?;
            Some(String::from_utf8_lossy(&bytes[..bytes.iter().position(|b| *b == 0)?]).into_owned())
        };
        if file.get(..5)? != b"\x7fELF\x01" {
            return None;
        }
        let (headers, size, count, names) = (word(32)? as usize, half(46)?, half(48)?, half(50)?);
        let header = |i: usize| headers + i * size;
        let offset = |i: usize| Some(word(header(i) + 16)? as usize);
        let names = offset(names)?;
        let (mut sections, mut symbols) = (BTreeMap::new(), BTreeMap::new());
        for i in 0..count {
            sections.insert(text(names, word(header(i))?)?, word(header(i) + 20)?);
            // A table of symbols.
            if word(header(i) + 4)? == 2 {
                let strings = offset(word(header(i) + 24)? as usize)?;
                for at in
                    (0..word(header(i) + 20)? as usize).step_by(16).map(|at| at + offset(i).unwrap_or(0))
                {
                    symbols.insert(text(strings, word(at)?)?, word(at + 4)?);
                }
            }
        }
        Some(Self { sections, symbols })
    }

    fn section(&self, name: &str) -> Result<u32, Box<dyn Error>> {
        self.sections.get(name).copied().ok_or_else(|| format!("no section {name}").into())
    }

    /// Where a function begins, in bytes.
    pub fn function(&self, name: &str) -> Result<u32, Box<dyn Error>> {
        self.symbols.get(name).copied().ok_or_else(|| format!("no function {name}").into())
    }

    /// Bytes of flash: code, and what variables begin with.
    pub fn flash(&self) -> Result<u32, Box<dyn Error>> {
        Ok(self.section(".text")? + self.section(".data")?)
    }

    /// Bytes of RAM that variables take.
    pub fn static_ram(&self) -> Result<u32, Box<dyn Error>> {
        Ok(self.section(".data")? + self.section(".bss")? + self.section(".noinit").unwrap_or(0))
    }

    /// The first address behind the variables.
    pub fn end_of_variables(&self) -> Result<u16, Box<dyn Error>> {
        let end = self.function("_end")?.checked_sub(DATA_SPACE).ok_or("variables outside of data space")?;
        Ok(u16::try_from(end)?)
    }
}
