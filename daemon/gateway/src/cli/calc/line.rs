//! Reads one line: a flat JSON object whose values stay close to their text.
//!
//! A general JSON reader would turn a bare NaN into "unexpected character"; here it is kept, so that
//! the answer can name the field it stands in.

use std::borrow::Cow;

/// A field and its value.
pub(super) struct Cell<'a> {
    pub(super) field: Cow<'a, str>,
    pub(super) value: Value<'a>,
    /// Some compute has asked for it.
    pub(super) used: bool,
}

/// A value, as far as a calculator needs to know it.
pub(super) enum Value<'a> {
    /// `null`: the same as leaving the field out.
    Null,
    /// `true` or `false`.
    Flag(bool),
    /// A finite or infinite number (an exponent too large reads as infinite, and is then out of range).
    Number(f64),
    /// A string.
    Text(Cow<'a, str>),
    /// An array of numbers; NaN stands for any element that is not one, with its text.
    Numbers(Vec<f64>, Option<(usize, &'a str)>),
    /// Anything else, such as NaN or an object, as it was written.
    Other(&'a str),
}

impl Value<'_> {
    /// The value as a message shows it.
    pub(super) fn show(&self) -> String {
        match self {
            Self::Null => "null".to_owned(),
            Self::Flag(flag) => flag.to_string(),
            Self::Number(number) => number.to_string(),
            Self::Text(text) => format!("\"{}\"", clip(text)),
            Self::Numbers(numbers, _) => format!("an array of {}", numbers.len()),
            Self::Other(text) => clip(text).to_owned(),
        }
    }
}

/// The beginning of a text, short enough for a message.
fn clip(text: &str) -> &str {
    let end = text.char_indices().nth(40).map_or(text.len(), |(at, _)| at);
    text.get(..end).unwrap_or(text)
}

/// The cells of a line, in its order.
pub(super) fn parse(text: &str) -> Result<Vec<Cell<'_>>, String> {
    let mut reader = Reader { text, at: 0 };
    let mut cells = Vec::with_capacity(12);
    reader.expect(b'{')?;
    if reader.peek() == Some(b'}') {
        reader.at += 1;
    } else {
        loop {
            if reader.peek() != Some(b'"') {
                return Err(reader.wrong("a field name in quotes"));
            }
            let field = reader.string()?;
            reader.expect(b':')?;
            let value = reader.value()?;
            cells.push(Cell { field, value, used: false });
            match reader.peek() {
                Some(b',') => reader.at += 1,
                Some(b'}') => {
                    reader.at += 1;
                    break;
                }
                _ => return Err(reader.wrong("a comma or the closing brace")),
            }
        }
    }
    if reader.peek().is_some() {
        return Err(reader.wrong("the end of the line after the object"));
    }
    Ok(cells)
}

struct Reader<'a> {
    text: &'a str,
    at: usize,
}

impl<'a> Reader<'a> {
    /// The next byte that is not white space, without taking it.
    fn peek(&mut self) -> Option<u8> {
        loop {
            match self.text.as_bytes().get(self.at) {
                Some(b' ' | b'\t' | b'\r') => self.at += 1,
                other => return other.copied(),
            }
        }
    }

    fn expect(&mut self, byte: u8) -> Result<(), String> {
        if self.peek() == Some(byte) {
            self.at += 1;
            Ok(())
        } else {
            Err(self.wrong(match byte {
                b'{' => "an object that begins with a brace",
                _ => "a colon after the field name",
            }))
        }
    }

    fn wrong(&self, accepted: &str) -> String {
        let found = self.text.get(self.at..).and_then(|rest| rest.chars().next());
        let found = found.map_or_else(|| "its end".to_owned(), |found| format!("{found:?}"));
        format!("the line is not a JSON object: at byte {} is {found}, accepted is {accepted}", self.at)
    }

    fn value(&mut self) -> Result<Value<'a>, String> {
        match self.peek() {
            Some(b'"') => Ok(Value::Text(self.string()?)),
            Some(b'[') => self.array(),
            Some(b'{') => Ok(Value::Other(self.skip_nested()?)),
            _ => {
                let word = self.word();
                match word {
                    "" => Err(self.wrong("a value")),
                    "null" => Ok(Value::Null),
                    "true" => Ok(Value::Flag(true)),
                    "false" => Ok(Value::Flag(false)),
                    _ => Ok(number(word).map_or(Value::Other(word), Value::Number)),
                }
            }
        }
    }

    /// Everything up to a byte that ends a bare value.
    fn word(&mut self) -> &'a str {
        let rest = self.text.get(self.at..).unwrap_or_default();
        let end = rest
            .bytes()
            .position(|byte| {
                matches!(byte, b',' | b'}' | b']' | b' ' | b'\t' | b'\r' | b':' | b'"' | b'[' | b'{')
            })
            .unwrap_or(rest.len());
        self.at += end;
        rest.get(..end).unwrap_or_default()
    }

    fn array(&mut self) -> Result<Value<'a>, String> {
        self.at += 1;
        let (mut numbers, mut bad) = (Vec::new(), None);
        if self.peek() == Some(b']') {
            self.at += 1;
            return Ok(Value::Numbers(numbers, bad));
        }
        loop {
            let start = self.at;
            // Nested ones are taken whole: read as values in values they would fill the stack.
            let element = match self.peek() {
                Some(b'[' | b'{') => Value::Other(self.skip_nested()?),
                _ => self.value()?,
            };
            let number = match element {
                Value::Number(number) if number.is_finite() => number,
                _ => {
                    let text = self.text.get(start..self.at).unwrap_or_default().trim();
                    bad = bad.or(Some((numbers.len(), clip(text))));
                    f64::NAN
                }
            };
            numbers.push(number);
            match self.peek() {
                Some(b',') => self.at += 1,
                Some(b']') => {
                    self.at += 1;
                    return Ok(Value::Numbers(numbers, bad));
                }
                _ => return Err(self.wrong("a comma or the closing bracket")),
            }
            self.peek();
        }
    }

    /// A nested object or array, taken whole without looking into it; its brackets must close.
    fn skip_nested(&mut self) -> Result<&'a str, String> {
        let start = self.at;
        let mut depth = 0_usize;
        loop {
            match self.peek() {
                Some(b'{' | b'[') => depth += 1,
                Some(b'}' | b']') => depth -= 1,
                Some(b'"') => {
                    self.string()?;
                    continue;
                }
                Some(_) => {}
                None => return Err(self.wrong("the closing brace")),
            }
            self.at += 1;
            if depth == 0 {
                return Ok(self.text.get(start..self.at).unwrap_or_default());
            }
            // Not to stand inside a character of several bytes.
            while !self.text.is_char_boundary(self.at) {
                self.at += 1;
            }
        }
    }

    /// A string, with its escapes undone.
    fn string(&mut self) -> Result<Cow<'a, str>, String> {
        let rest = self.text.get(self.at + 1..).unwrap_or_default();
        let bytes = rest.as_bytes();
        let mut end = 0;
        let mut plain = true;
        loop {
            match bytes.get(end) {
                Some(b'"') => break,
                Some(b'\\') => {
                    plain = false;
                    end += 2;
                }
                Some(_) => end += 1,
                None => return Err(self.wrong("a string with its closing quote")),
            }
        }
        let quoted = self.text.get(self.at..self.at + end + 2).unwrap_or_default();
        let inner = rest.get(..end).unwrap_or_default();
        if plain {
            self.at += end + 2;
            return Ok(Cow::Borrowed(inner));
        }
        let whole = serde_json::from_str::<String>(quoted);
        let whole = whole.map_err(|_| self.wrong("a string whose escapes are those of JSON"))?;
        self.at += end + 2;
        Ok(Cow::Owned(whole))
    }
}

/// A number by JSON's grammar, which knows no sign in front but minus, no bare point and no NaN.
fn number(word: &str) -> Option<f64> {
    let digits = |text: &str| text.bytes().take_while(u8::is_ascii_digit).count();
    let mut rest = word.strip_prefix('-').unwrap_or(word);
    let whole = digits(rest);
    if whole == 0 || (whole > 1 && rest.starts_with('0')) {
        return None;
    }
    rest = rest.get(whole..)?;
    if let Some(after) = rest.strip_prefix('.') {
        let places = digits(after);
        if places == 0 {
            return None;
        }
        rest = after.get(places..)?;
    }
    if let Some(after) = rest.strip_prefix(['e', 'E']) {
        let after = after.strip_prefix(['+', '-']).unwrap_or(after);
        let places = digits(after);
        if places == 0 {
            return None;
        }
        rest = after.get(places..)?;
    }
    if rest.is_empty() { word.parse().ok() } else { None }
}
