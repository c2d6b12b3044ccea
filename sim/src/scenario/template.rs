//! A scenario file with every table and key, to copy from.

/// The template: what stands in it without a `#` before it is what a scenario says that does not mention it.
pub const TEMPLATE: &str = include_str!("template.toml");

#[cfg(test)]
mod tests;
