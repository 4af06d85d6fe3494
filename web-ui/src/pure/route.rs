//! What the address behind the `#` means: a page and what lies over it, or a code to join with. No I/O.

/// A page.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Page {
    /// The strips of one's role.
    #[default]
    Crew,
    /// All strips.
    All,
    /// The steps, to read; the chief marks them on `Chief`.
    Steps,
    /// The chief's page.
    Chief,
    /// All figures, and what they need typed in.
    Figures,
    /// How to join, who is here, how the sources are.
    Laptop,
    /// The view for a wall, which needs no hands.
    Wall,
    /// Every car of the team, for a wall.
    Cars,
    /// What is done between rounds.
    Turnaround,
    /// Every warm-up that is kept.
    Book,
    /// One of them played back; the address says which.
    Replay,
    /// Changing the crew's files.
    Edit,
}

impl Page {
    /// Every page.
    pub const ALL: [Self; 12] = [
        Self::Crew,
        Self::All,
        Self::Steps,
        Self::Chief,
        Self::Figures,
        Self::Laptop,
        Self::Wall,
        Self::Cars,
        Self::Turnaround,
        Self::Book,
        Self::Replay,
        Self::Edit,
    ];

    /// Its name in the address.
    pub fn key(self) -> &'static str {
        match self {
            Self::Crew => "crew",
            Self::All => "all",
            Self::Steps => "steps",
            Self::Chief => "chief",
            Self::Figures => "figures",
            Self::Laptop => "laptop",
            Self::Wall => "wall",
            Self::Cars => "cars",
            Self::Turnaround => "turnaround",
            Self::Book => "book",
            Self::Replay => "replay",
            Self::Edit => "edit",
        }
    }
}

/// What lies over a page until it is closed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Over {
    /// Call out.
    Call,
    /// Menu and settings.
    Menu,
    /// Type a reading in.
    Type,
    /// The controls of a simulated car.
    Train,
    /// The cautions.
    Cautions,
    /// Choose a role.
    Roles,
    /// Set bands.
    Bands,
    /// All alarms.
    Alarms,
    /// Calibrate channels.
    Calibrate,
    /// What the chief does seldom: hold, abort, begin, close.
    More,
    /// The devices that have joined.
    Devices,
    /// What the keys of a keyboard do.
    Shortcuts,
    /// One channel's trace, large.
    Trend(String),
    /// Why a step is skipped.
    Skip(String),
    /// A recording from elsewhere on its way into the book.
    Recording,
    /// What is known of one warm-up of the book.
    Warmup(String),
}

impl Over {
    fn key(&self) -> &str {
        match self {
            Self::Call => "call",
            Self::Menu => "menu",
            Self::Type => "type",
            Self::Train => "train",
            Self::Cautions => "cautions",
            Self::Roles => "roles",
            Self::Bands => "bands",
            Self::Alarms => "alarms",
            Self::Calibrate => "calibrate",
            Self::More => "more",
            Self::Devices => "devices",
            Self::Shortcuts => "shortcuts",
            Self::Trend(_) => "trend",
            Self::Skip(_) => "skip",
            Self::Recording => "recording",
            Self::Warmup(_) => "warmup",
        }
    }

    fn from_key(key: &str, rest: Option<&str>) -> Option<Self> {
        Some(match key {
            "call" => Self::Call,
            "menu" => Self::Menu,
            "type" => Self::Type,
            "train" => Self::Train,
            "cautions" => Self::Cautions,
            "roles" => Self::Roles,
            "bands" => Self::Bands,
            "alarms" => Self::Alarms,
            "calibrate" => Self::Calibrate,
            "more" => Self::More,
            "devices" => Self::Devices,
            "shortcuts" => Self::Shortcuts,
            "trend" => Self::Trend(rest?.to_owned()),
            "skip" => Self::Skip(rest?.to_owned()),
            "recording" => Self::Recording,
            "warmup" => Self::Warmup(rest?.to_owned()),
            _ => return None,
        })
    }
}

/// A place in the app.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Route {
    /// The page; the role's own when the address names none.
    pub page: Option<Page>,
    /// What the page is about: the warm-up that is played back.
    pub of: Option<String>,
    /// What lies over it.
    pub over: Option<Over>,
}

impl Route {
    /// Reads an address: `#/crew`, `#/crew/call`, `#/all/trend/oil_pressure`, `#/replay/ID`.
    pub fn parse(hash: &str) -> Self {
        let mut parts = hash
            .trim_start_matches('#')
            .trim_start_matches('/')
            .split('/')
            .map(plain);
        let page = parts
            .next()
            .and_then(|key| Page::ALL.into_iter().find(|page| page.key() == key));
        let of = if page == Some(Page::Replay) {
            parts.next()
        } else {
            None
        };
        let over = parts
            .next()
            .and_then(|key| Over::from_key(&key, parts.next().as_deref()));
        Self { page, of, over }
    }

    /// The address of that page, of what it is about, with that over it.
    pub fn hash(page: Page, of: Option<&str>, over: Option<&Over>) -> String {
        let mut hash = String::from("#/") + page.key();
        if let Some(of) = of.filter(|_| page == Page::Replay) {
            hash = hash + "/" + &escaped(of);
        }
        if let Some(over) = over {
            hash = hash + "/" + over.key();
            if let Over::Trend(key) | Over::Skip(key) | Over::Warmup(key) = over {
                hash = hash + "/" + &escaped(key);
            }
        }
        hash
    }
}

/// A part of an address: what an address gives a meaning to, and what is not ASCII, as percent signs and numbers (RFC 3986, 2.1).
pub fn escaped(text: &str) -> String {
    let mut out = String::new();
    for byte in text.bytes() {
        if byte.is_ascii_alphanumeric() || b"-_.~".contains(&byte) {
            out.push(char::from(byte));
        } else {
            out.push_str(&format!("%{byte:02X}"));
        }
    }
    out
}

/// The text that was escaped; an address that is none stays as it stands.
fn plain(part: &str) -> String {
    let bytes = part.as_bytes();
    let mut out = Vec::with_capacity(bytes.len());
    let mut at = 0;
    while let Some(byte) = bytes.get(at) {
        let hex = (*byte == b'%')
            .then(|| part.get(at + 1..at + 3))
            .flatten()
            .and_then(|hex| u8::from_str_radix(hex, 16).ok());
        out.push(hex.unwrap_or(*byte));
        at += if hex.is_some() { 3 } else { 1 };
    }
    String::from_utf8(out).unwrap_or_else(|_| part.to_owned())
}

/// A code to join with, from a scanned or typed address: `#CODE`, `#CODE/role`, `#CODE/role/name`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Invitation {
    /// The code.
    pub code: String,
    /// The role, where the address names one.
    pub role: Option<String>,
    /// The name, where the address names one; percent signs as they stand.
    pub name: Option<String>,
}

impl Invitation {
    /// Reads an address; one that starts with `#/` is a page, not an invitation.
    pub fn parse(hash: &str) -> Option<Self> {
        let text = hash.strip_prefix('#')?;
        let mut parts = text.splitn(3, '/').map(str::trim);
        let code = parts.next().filter(|code| !code.is_empty())?.to_owned();
        let mut next = || {
            parts
                .next()
                .filter(|part| !part.is_empty())
                .map(str::to_owned)
        };
        Some(Self {
            code,
            role: next(),
            name: next(),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_place_comes_back_from_its_address() {
        let overs = [
            None,
            Some(Over::Call),
            Some(Over::Bands),
            Some(Over::Recording),
            Some(Over::Trend("oil_pressure".to_owned())),
            Some(Over::Warmup("2026-05-16T14-03-22Z".to_owned())),
        ];
        for page in Page::ALL {
            for over in &overs {
                let of = (page == Page::Replay).then(|| "a/b ü%".to_owned());
                let route = Route {
                    page: Some(page),
                    of: of.clone(),
                    over: over.clone(),
                };
                let hash = Route::hash(page, of.as_deref(), over.as_ref());
                assert_eq!(Route::parse(&hash), route, "{hash}");
            }
        }
        assert_eq!(Route::parse(""), Route::default());
        assert_eq!(
            Route::parse("#/nonsense/call"),
            Route {
                page: None,
                of: None,
                over: Some(Over::Call)
            }
        );
    }

    #[test]
    fn an_invitation_is_not_a_page() {
        let invitation = |code: &str, role: Option<&str>, name: Option<&str>| {
            Some(Invitation {
                code: code.into(),
                role: role.map(Into::into),
                name: name.map(Into::into),
            })
        };
        assert_eq!(Invitation::parse("#AB12"), invitation("AB12", None, None));
        assert_eq!(
            Invitation::parse("#AB12/idle/Ana%20B"),
            invitation("AB12", Some("idle"), Some("Ana%20B"))
        );
        assert_eq!(
            Invitation::parse("#AB12//Ana"),
            invitation("AB12", None, Some("Ana"))
        );
        assert_eq!(Invitation::parse("#/crew"), None);
        assert_eq!(Invitation::parse(""), None);
    }
}
