//! How the app reads what comes from the hub: JSON into a tree, and each thing from its part of the tree.
//!
//! The hub reads by serde. Serde's way is general: code for each type in each of the forms that it can come in, which for the app was
//! the larger half of what a phone must load before its first reading. This one knows JSON alone, and each type's code is a look-up a
//! field. It is derived from serde's own attributes, and a test holds the two against each other on every example there is.
//! It is a little more lenient: of a key that comes twice the first counts, and beside the one key of an enum
//! there may be others.

use crate::map::Map;
use std::{borrow::Cow, fmt};

pub use spinover_protocol_derive::FromJson;

/// Deeper than this is nothing of ours.
const DEEPEST: usize = 64;

/// A piece of JSON.
#[derive(Clone, Debug, PartialEq)]
pub enum Json<'a> {
    /// Nothing.
    Null,
    /// Yes or no.
    Bool(bool),
    /// A number as it is written: who wants it knows of what kind it is.
    Number(&'a str),
    /// A text.
    Text(Cow<'a, str>),
    /// A list.
    List(Vec<Json<'a>>),
    /// Keys and what stands at them, as they came.
    Object(Vec<(Cow<'a, str>, Json<'a>)>),
}

/// It is not what was looked for. The field that it was looked for at, if any.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Wrong(pub Option<&'static str>);

impl fmt::Display for Wrong {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("JSON ")?;
        f.write_str(self.0.unwrap_or("?"))
    }
}

/// What can be read from JSON.
pub trait FromJson: Sized {
    /// Reads it.
    ///
    /// # Errors
    /// When that is something else.
    fn from_json(json: &Json<'_>) -> Result<Self, Wrong>;

    /// Reads it from the key of a map, which is always a text.
    ///
    /// # Errors
    /// When that is something else.
    fn from_key(key: &str) -> Result<Self, Wrong> {
        Self::from_json(&Json::Text(Cow::Borrowed(key)))
    }

    /// What it is where it is left out; nothing where it cannot be.
    fn absent() -> Option<Self> {
        None
    }
}

/// Reads a text that is JSON.
///
/// # Errors
/// When it is none, or says something else.
pub fn from_str<T: FromJson>(text: &str) -> Result<T, Wrong> {
    T::from_json(&Json::parse(text)?)
}

/// A field that must be there.
///
/// # Errors
/// When it is not, or is something else.
pub fn field<T: FromJson>(json: &Json<'_>, key: &'static str) -> Result<T, Wrong> {
    match json.get(key) {
        Some(found) => T::from_json(found).map_err(|wrong| wrong.at(key)),
        None => T::absent().ok_or(Wrong(Some(key))),
    }
}

/// A field that may be left out.
///
/// # Errors
/// When it is something else.
pub fn field_or_default<T: FromJson + Default>(
    json: &Json<'_>,
    key: &'static str,
) -> Result<T, Wrong> {
    match json.get(key) {
        Some(found) => T::from_json(found).map_err(|wrong| wrong.at(key)),
        None => Ok(T::default()),
    }
}

/// A field that is `given` where it is left out.
///
/// # Errors
/// When it is something else.
pub fn field_or<T: FromJson>(json: &Json<'_>, key: &'static str, given: T) -> Result<T, Wrong> {
    match json.get(key) {
        Some(found) => T::from_json(found).map_err(|wrong| wrong.at(key)),
        None => Ok(given),
    }
}

impl Wrong {
    /// The innermost field that is known.
    fn at(self, key: &'static str) -> Self {
        Self(self.0.or(Some(key)))
    }
}

impl<'a> Json<'a> {
    /// Takes a text apart.
    ///
    /// # Errors
    /// When it is not JSON.
    pub fn parse(text: &'a str) -> Result<Self, Wrong> {
        let mut reader = Reader { text, at: 0 };
        let json = reader.value(0)?;
        match reader.next() {
            None => Ok(json),
            Some(_) => Err(Wrong::default()),
        }
    }

    /// What stands at a key.
    pub fn get(&self, key: &str) -> Option<&Self> {
        let Self::Object(fields) = self else {
            return None;
        };
        let found = fields.iter().find(|(known, _)| known == key)?;
        Some(&found.1)
    }

    /// That it is an object.
    ///
    /// # Errors
    /// When it is not.
    pub fn object(&self) -> Result<(), Wrong> {
        match self {
            Self::Object(_) => Ok(()),
            _ => Err(Wrong::default()),
        }
    }

    /// That it has no other keys.
    ///
    /// # Errors
    /// When it has.
    pub fn only(&self, keys: &[&str]) -> Result<(), Wrong> {
        match self {
            Self::Object(fields) if fields.iter().all(|(key, _)| keys.contains(&&**key)) => Ok(()),
            _ => Err(Wrong::default()),
        }
    }

    fn text(&self) -> Result<&str, Wrong> {
        match self {
            Self::Text(text) => Ok(text),
            _ => Err(Wrong::default()),
        }
    }

    fn list(&self) -> Result<&[Self], Wrong> {
        match self {
            Self::List(list) => Ok(list),
            _ => Err(Wrong::default()),
        }
    }

    /// Which of the names it is.
    ///
    /// # Errors
    /// When it is none of them.
    pub fn name(&self, names: &[&str]) -> Result<usize, Wrong> {
        let text = self.text()?;
        let which = names.iter().position(|name| *name == text);
        which.ok_or(Wrong::default())
    }

    /// Which of the names stands at the key that tells kinds apart.
    ///
    /// # Errors
    /// When it is none of them.
    pub fn tag(&self, key: &'static str, names: &[&str]) -> Result<usize, Wrong> {
        self.get(key).ok_or(Wrong(Some(key)))?.name(names)
    }

    /// Which of the names is a key of it, and what stands there; or which it is itself. Other keys may stand beside, since it may be
    /// flattened into what it is part of.
    ///
    /// # Errors
    /// When it is none of them.
    pub fn variant(&self, names: &[&str]) -> Result<(usize, &Self), Wrong> {
        match self {
            Self::Object(fields) => fields
                .iter()
                .find_map(|(key, inside)| {
                    let which = names.iter().position(|name| name == key)?;
                    Some((which, inside))
                })
                .ok_or(Wrong::default()),
            _ => Ok((self.name(names)?, &Json::Null)),
        }
    }
}

struct Reader<'a> {
    text: &'a str,
    at: usize,
}

impl<'a> Reader<'a> {
    fn peek(&self) -> u8 {
        self.text.as_bytes().get(self.at).copied().unwrap_or(0)
    }

    /// The next byte that is no white space, which is left where it is.
    fn next(&mut self) -> Option<u8> {
        while matches!(self.peek(), b' ' | b'\t' | b'\n' | b'\r') {
            self.at += 1;
        }
        self.text.as_bytes().get(self.at).copied()
    }

    fn take(&mut self, byte: u8) -> bool {
        let here = self.next() == Some(byte);
        self.at += usize::from(here);
        here
    }

    fn must(&mut self, byte: u8) -> Result<(), Wrong> {
        if self.take(byte) {
            Ok(())
        } else {
            Err(Wrong::default())
        }
    }

    fn word<T>(&mut self, word: &str, meant: T) -> Result<T, Wrong> {
        if self.text[self.at..].starts_with(word) {
            self.at += word.len();
            Ok(meant)
        } else {
            Err(Wrong::default())
        }
    }

    fn value(&mut self, depth: usize) -> Result<Json<'a>, Wrong> {
        if depth > DEEPEST {
            return Err(Wrong::default());
        }
        match self.next() {
            Some(b'n') => self.word("null", Json::Null),
            Some(b't') => self.word("true", Json::Bool(true)),
            Some(b'f') => self.word("false", Json::Bool(false)),
            Some(b'"') => self.string().map(Json::Text),
            Some(b'-' | b'0'..=b'9') => self.number(),
            Some(b'[') => {
                self.at += 1;
                let mut list = Vec::new();
                if !self.take(b']') {
                    loop {
                        list.push(self.value(depth + 1)?);
                        if !self.take(b',') {
                            break;
                        }
                    }
                    self.must(b']')?;
                }
                Ok(Json::List(list))
            }
            Some(b'{') => {
                self.at += 1;
                let mut fields = Vec::new();
                if !self.take(b'}') {
                    loop {
                        self.next();
                        let key = self.string()?;
                        self.must(b':')?;
                        fields.push((key, self.value(depth + 1)?));
                        if !self.take(b',') {
                            break;
                        }
                    }
                    self.must(b'}')?;
                }
                Ok(Json::Object(fields))
            }
            _ => Err(Wrong::default()),
        }
    }

    fn digits(&mut self) -> Result<(), Wrong> {
        let from = self.at;
        while self.peek().is_ascii_digit() {
            self.at += 1;
        }
        if self.at > from {
            Ok(())
        } else {
            Err(Wrong::default())
        }
    }

    fn number(&mut self) -> Result<Json<'a>, Wrong> {
        let from = self.at;
        self.at += usize::from(self.peek() == b'-');
        if self.peek() == b'0' {
            self.at += 1;
        } else {
            self.digits()?;
        }
        if self.peek() == b'.' {
            self.at += 1;
            self.digits()?;
        }
        if matches!(self.peek(), b'e' | b'E') {
            self.at += 1;
            self.at += usize::from(matches!(self.peek(), b'+' | b'-'));
            self.digits()?;
        }
        Ok(Json::Number(&self.text[from..self.at]))
    }

    fn string(&mut self) -> Result<Cow<'a, str>, Wrong> {
        if self.peek() != b'"' {
            return Err(Wrong::default());
        }
        self.at += 1;
        let mut from = self.at;
        let mut text = Cow::Borrowed("");
        loop {
            match self.peek() {
                b'"' => {
                    let rest = &self.text[from..self.at];
                    self.at += 1;
                    if text.is_empty() {
                        return Ok(Cow::Borrowed(rest));
                    }
                    text.to_mut().push_str(rest);
                    return Ok(text);
                }
                b'\\' => {
                    let before = &self.text[from..self.at];
                    self.at += 1;
                    let letter = self.escaped()?;
                    text.to_mut().push_str(before);
                    text.to_mut().push(letter);
                    from = self.at;
                }
                // The end, too.
                0..0x20 => return Err(Wrong::default()),
                _ => self.at += 1,
            }
        }
    }

    /// What stands behind a backslash.
    fn escaped(&mut self) -> Result<char, Wrong> {
        let letter = self.peek();
        self.at += 1;
        Ok(match letter {
            b'"' | b'\\' | b'/' => char::from(letter),
            b'b' => '\x08',
            b'f' => '\x0c',
            b'n' => '\n',
            b'r' => '\r',
            b't' => '\t',
            b'u' => {
                let first = self.four()?;
                let code = if (0xD800..0xDC00).contains(&first) {
                    self.word("\\u", ())?;
                    let second = self.four()?;
                    if !(0xDC00..0xE000).contains(&second) {
                        return Err(Wrong::default());
                    }
                    0x10000 + ((first - 0xD800) << 10) + (second - 0xDC00)
                } else {
                    first
                };
                char::from_u32(code).ok_or(Wrong::default())?
            }
            _ => return Err(Wrong::default()),
        })
    }

    fn four(&mut self) -> Result<u32, Wrong> {
        let mut code = 0;
        for _ in 0..4 {
            let digit = char::from(self.peek()).to_digit(16);
            code = code * 16 + digit.ok_or(Wrong::default())?;
            self.at += 1;
        }
        Ok(code)
    }
}

/// The number that a text is, in the standard library's spelling without its infinities; the nearest there is.
pub fn number(text: &str) -> Option<f64> {
    let (mut whole, mut digits, mut ten, mut point, mut at) = (0_u64, 0, 0, false, 0);
    let bytes = text.as_bytes();
    let below = bytes.first() == Some(&b'-');
    if matches!(bytes.first(), Some(b'-' | b'+')) {
        at = 1;
    }
    while let Some(byte) = bytes.get(at) {
        match byte {
            b'0'..=b'9' => {
                whole = whole
                    .saturating_mul(10)
                    .saturating_add(u64::from(byte - b'0'));
                digits += 1;
                ten -= i32::from(point);
            }
            b'.' if !point => point = true,
            _ => break,
        }
        at += 1;
    }
    if digits == 0 {
        return None;
    }
    if matches!(bytes.get(at), Some(b'e' | b'E')) {
        let power = text.get(at + 1..)?;
        let wrong = power.strip_prefix(['-', '+']).unwrap_or(power);
        if wrong.is_empty() || !wrong.bytes().all(|byte| byte.is_ascii_digit()) {
            return None;
        }
        // Beyond all measure either way; what it comes to is worked out below.
        ten = power
            .parse::<i32>()
            .map_or(i32::MAX, |power| ten.saturating_add(power));
    } else if at < bytes.len() {
        return None;
    }
    // Whole numbers up to there and powers of ten up to 22 are exact, so that what is made of one of each is rounded once.
    let number = if whole < 1 << 53 && (-22..=22).contains(&ten) {
        let power = POWERS[ten.unsigned_abs() as usize];
        let size = if ten < 0 {
            whole as f64 / power
        } else {
            whole as f64 * power
        };
        if below { -size } else { size }
    } else {
        seldom(text)
    };
    number.is_finite().then_some(number)
}

const POWERS: [f64; 23] = [
    1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16,
    1e17, 1e18, 1e19, 1e20, 1e21, 1e22,
];

#[cfg(not(target_arch = "wasm32"))]
fn seldom(text: &str) -> f64 {
    text.parse().unwrap_or(f64::NAN)
}

/// The browser has the ten kilobytes of table that it takes already.
#[cfg(target_arch = "wasm32")]
fn seldom(text: &str) -> f64 {
    js_sys::parse_float(text)
}

impl FromJson for bool {
    fn from_json(json: &Json<'_>) -> Result<Self, Wrong> {
        match json {
            Json::Bool(is) => Ok(*is),
            _ => Err(Wrong::default()),
        }
    }
}

macro_rules! numbers {
    ($($kind:ty),*) => {$(
        impl FromJson for $kind {
            fn from_json(json: &Json<'_>) -> Result<Self, Wrong> {
                match json {
                    Json::Number(text) => text.parse().map_err(|_| Wrong::default()),
                    _ => Err(Wrong::default()),
                }
            }

            fn from_key(key: &str) -> Result<Self, Wrong> {
                Self::from_json(&Json::parse(key)?)
            }
        }
    )*};
}
numbers!(u64, i64);

macro_rules! smaller_numbers {
    ($($kind:ty),*) => {$(
        impl FromJson for $kind {
            fn from_json(json: &Json<'_>) -> Result<Self, Wrong> {
                let whole = u64::from_json(json)?;
                Self::try_from(whole).map_err(|_| Wrong::default())
            }
        }
    )*};
}
smaller_numbers!(u8, u16, u32, usize);

impl FromJson for f64 {
    fn from_json(json: &Json<'_>) -> Result<Self, Wrong> {
        match json {
            Json::Number(text) => number(text).ok_or(Wrong::default()),
            _ => Err(Wrong::default()),
        }
    }
}

impl FromJson for String {
    fn from_json(json: &Json<'_>) -> Result<Self, Wrong> {
        json.text().map(str::to_owned)
    }
}

impl FromJson for char {
    fn from_json(json: &Json<'_>) -> Result<Self, Wrong> {
        let mut letters = json.text()?.chars();
        match (letters.next(), letters.next()) {
            (Some(letter), None) => Ok(letter),
            _ => Err(Wrong::default()),
        }
    }
}

impl<T: FromJson> FromJson for Option<T> {
    fn from_json(json: &Json<'_>) -> Result<Self, Wrong> {
        match json {
            Json::Null => Ok(None),
            other => T::from_json(other).map(Some),
        }
    }

    fn absent() -> Option<Self> {
        Some(None)
    }
}

impl<T: FromJson> FromJson for Box<T> {
    fn from_json(json: &Json<'_>) -> Result<Self, Wrong> {
        T::from_json(json).map(Self::new)
    }
}

impl<T: FromJson> FromJson for Vec<T> {
    fn from_json(json: &Json<'_>) -> Result<Self, Wrong> {
        let list = json.list()?;
        let mut read = Self::with_capacity(list.len());
        for one in list {
            read.push(T::from_json(one)?);
        }
        Ok(read)
    }
}

impl<K: FromJson + Ord, V: FromJson> FromJson for Map<K, V> {
    fn from_json(json: &Json<'_>) -> Result<Self, Wrong> {
        let Json::Object(fields) = json else {
            return Err(Wrong::default());
        };
        let mut read = Self::new();
        for (key, value) in fields {
            read.insert(K::from_key(key)?, V::from_json(value)?);
        }
        Ok(read)
    }
}

impl<A: FromJson, B: FromJson> FromJson for (A, B) {
    fn from_json(json: &Json<'_>) -> Result<Self, Wrong> {
        match json.list()? {
            [a, b] => Ok((A::from_json(a)?, B::from_json(b)?)),
            _ => Err(Wrong::default()),
        }
    }
}

impl<A: FromJson, B: FromJson, C: FromJson, D: FromJson> FromJson for (A, B, C, D) {
    fn from_json(json: &Json<'_>) -> Result<Self, Wrong> {
        match json.list()? {
            [a, b, c, d] => Ok((
                A::from_json(a)?,
                B::from_json(b)?,
                C::from_json(c)?,
                D::from_json(d)?,
            )),
            _ => Err(Wrong::default()),
        }
    }
}

/// By its symbol alone, as it is written: people's other spellings stand in files, which the hub reads.
impl FromJson for crate::units::Unit {
    fn from_json(json: &Json<'_>) -> Result<Self, Wrong> {
        let symbol = json.text()?;
        let known = Self::ALL.into_iter().find(|unit| unit.symbol() == symbol);
        known.ok_or(Wrong::default())
    }
}
