//! Markup that only this program can write: what comes from a job goes through [`Markup::text`] and stays text.

use crate::report::figures::Tone;
use crate::report::plot::Svg;

/// A page in the making.
#[derive(Debug, Default)]
pub struct Markup(String);

/// A cell of a table.
#[derive(Clone, Debug)]
pub enum Cell {
    /// Words.
    Text(String),
    /// A figure, set to the right.
    Figure(String),
    /// A word with its tone.
    Word(Tone, String),
    /// A picture.
    Plot(Option<Svg>),
}

impl Markup {
    /// Markup of ours: a literal of this program, and so nothing from a job.
    pub fn raw(&mut self, markup: &'static str) -> &mut Self {
        self.0.push_str(markup);
        self
    }

    /// Words from anywhere. What could be markup, end a line or turn the direction of writing is made harmless.
    pub fn text(&mut self, words: &str) -> &mut Self {
        for letter in words.chars() {
            match letter {
                '&' => self.0.push_str("&amp;"),
                '<' => self.0.push_str("&lt;"),
                '>' => self.0.push_str("&gt;"),
                '"' => self.0.push_str("&quot;"),
                '\'' => self.0.push_str("&#39;"),
                // Marks that reorder what follows could make a number read otherwise.
                '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' => {}
                letter if letter.is_control() => self.0.push(' '),
                letter => self.0.push(letter),
            }
        }
        self
    }

    /// A picture.
    pub fn plot(&mut self, plot: &Svg) -> &mut Self {
        self.0.push_str(plot.markup());
        self
    }

    /// An element of words.
    pub fn element(&mut self, open: &'static str, words: &str, close: &'static str) -> &mut Self {
        self.raw(open).text(words).raw(close)
    }

    /// A word with the sign of its tone; the sign differs in shape and the word stands beside it.
    pub fn word(&mut self, tone: Tone, word: &str) -> &mut Self {
        let open = match tone {
            Tone::Good => "<span class=\"word good\"><b aria-hidden=\"true\">✓</b> ",
            Tone::Bad => "<span class=\"word bad\"><b aria-hidden=\"true\">✗</b> ",
            Tone::Open => "<span class=\"word open\"><b aria-hidden=\"true\">?</b> ",
        };
        self.element(open, word, "</span>")
    }

    /// A table; nothing when it has no rows.
    pub fn table(&mut self, heading: &[&'static str], rows: &[Vec<Cell>]) -> &mut Self {
        if rows.is_empty() {
            return self;
        }
        self.raw("<div class=\"wide\"><table><thead><tr>");
        for word in heading {
            self.element("<th>", word, "</th>");
        }
        self.raw("</tr></thead><tbody>");
        for row in rows {
            self.raw("<tr>");
            for cell in row {
                match cell {
                    Cell::Text(words) => self.element("<td>", words, "</td>"),
                    Cell::Figure(words) => self.element("<td class=\"figure\">", words, "</td>"),
                    Cell::Word(tone, word) => self.raw("<td>").word(*tone, word).raw("</td>"),
                    Cell::Plot(plot) => {
                        self.raw("<td class=\"bar\">");
                        if let Some(plot) = plot {
                            self.plot(plot);
                        }
                        self.raw("</td>")
                    }
                };
            }
            self.raw("</tr>");
        }
        self.raw("</tbody></table></div>")
    }

    /// A picture with its caption; nothing when there is no picture.
    pub fn figure(&mut self, plot: Option<&Svg>, caption: &str) -> &mut Self {
        let Some(plot) = plot else { return self };
        self.raw("<figure><div class=\"wide\" role=\"img\" aria-label=\"")
            .text(caption)
            .raw("\">");
        self.plot(plot);
        self.element("</div><figcaption>", caption, "</figcaption></figure>")
    }

    /// Terms with their descriptions; those without words are left out.
    pub fn list(&mut self, pairs: &[(&'static str, String)]) -> &mut Self {
        self.raw("<dl>");
        for (term, words) in pairs {
            if !words.is_empty() {
                self.element("<dt>", term, "</dt>")
                    .element("<dd>", words, "</dd>");
            }
        }
        self.raw("</dl>")
    }

    /// The page.
    #[must_use]
    pub fn finish(self) -> String {
        self.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_stay_words() {
        let mut page = Markup::default();
        page.text("</p><script>x('&\")</script>\u{202e}\u{7}");
        assert_eq!(
            page.finish(),
            "&lt;/p&gt;&lt;script&gt;x(&#39;&amp;&quot;)&lt;/script&gt; "
        );
    }
}
