//! What a single key of a keyboard means. No I/O.
//!
//! None of them marks, stops or changes anything: a cat on the laptop opens a page at worst.

/// What is wanted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Wish {
    /// The tab at that place, from 0.
    Tab(usize),
    /// Make a call.
    Call,
    /// The menu.
    Menu,
    /// The list of keys.
    Shortcuts,
}

/// The meaning of a key, as the browser names it. `busy`: a field has the focus, or something lies over the page. `modified`: Ctrl, Alt or
/// the like is held too, so that it belongs to the browser.
pub fn wish(key: &str, busy: bool, modified: bool) -> Option<Wish> {
    if busy || modified {
        return None;
    }
    match key {
        "?" => Some(Wish::Shortcuts),
        "c" | "C" => Some(Wish::Call),
        "m" | "M" => Some(Wish::Menu),
        _ => {
            let digit: usize = key.parse().ok()?;
            (1..=9).contains(&digit).then(|| Wish::Tab(digit - 1))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn keys_open_and_nothing_more() {
        assert_eq!(wish("1", false, false), Some(Wish::Tab(0)));
        assert_eq!(wish("9", false, false), Some(Wish::Tab(8)));
        assert_eq!(wish("c", false, false), Some(Wish::Call));
        assert_eq!(wish("?", false, false), Some(Wish::Shortcuts));
        for key in ["0", "12", "s", " ", "Enter", "Escape", "F5", "Dead", "-1"] {
            assert_eq!(wish(key, false, false), None, "{key}");
        }
        for key in ["1", "c", "m", "?"] {
            assert_eq!(wish(key, true, false), None, "{key} in a field");
            assert_eq!(wish(key, false, true), None, "{key} with Ctrl");
        }
    }
}
