//! The page: text is escaped here and nowhere else.

use std::fmt::Write;

/// `text` with nothing in it that HTML takes for more than text; what no document may hold is replaced by U+FFFD.
pub fn escaped(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            '\'' => safe.push_str("&#39;"),
            '\n' | '\t' => safe.push(c),
            c if c.is_control() || matches!(c, '\u{fffe}' | '\u{ffff}') => safe.push('\u{fffd}'),
            c => safe.push(c),
        }
    }
    safe
}

/// A picture in its figure.
pub struct Figure {
    /// Head.
    pub title: &'static str,
    /// What it shows and how it is read.
    pub caption: String,
    /// Colours and what they stand for.
    pub keys: Vec<(&'static str, &'static str)>,
    /// The picture, or why there is none.
    pub svg: Result<String, &'static str>,
}

impl Figure {
    /// Appends it to `page`.
    pub fn write(&self, page: &mut String) {
        // Writing to a string does not fail.
        let _ = writeln!(page, "<h2>{}</h2>\n<figure>", self.title);
        match &self.svg {
            Ok(svg) => {
                let svg =
                    svg.replacen("<svg ", &format!("<svg role=\"img\" aria-label=\"{}\" ", self.title), 1);
                let _ = writeln!(page, "<div class=\"picture\">{}</div>\n<figcaption>", svg.trim_end());
                for (color, what) in &self.keys {
                    let _ = writeln!(
                        page,
                        "<span class=\"key\"><i style=\"background:{color}\"></i>{}</span>",
                        escaped(what)
                    );
                }
                let _ = writeln!(page, "<p>{}</p>\n</figcaption>", escaped(&self.caption));
            }
            Err(why) => {
                let _ = writeln!(page, "<p>No picture: {}.</p>", escaped(why));
            }
        }
        page.push_str("</figure>\n");
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn markup_becomes_text() {
        assert_eq!(escaped("a < b && \"c\" > 'd'\n"), "a &lt; b &amp;&amp; &quot;c&quot; &gt; &#39;d&#39;\n");
        assert_eq!(escaped("\u{0}\u{1b}[1m\u{85}\t"), "\u{fffd}\u{fffd}[1m\u{fffd}\t");
    }
}
