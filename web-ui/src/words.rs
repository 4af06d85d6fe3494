//! Every word that the app shows, in one place: English here, each other language in a file of its own. No I/O.

mod spanish;

use std::cell::Cell;

macro_rules! catalogue {
    ($($key:ident = $english:literal,)*) => {
        /// One message.
        #[derive(Clone, Copy, Debug, PartialEq, Eq)]
        pub enum Word { $(#[doc = $english] $key,)* }

        const ENGLISH: &[&str] = &[$($english,)*];
        #[cfg(test)]
        const WORDS: &[Word] = &[$(Word::$key,)*];
    };
}

/// A language's own words. One that it lacks is shown in English, and fails a test.
macro_rules! translation {
    ($($key:ident = $text:literal,)*) => {
        pub fn say(word: Word) -> Option<&'static str> {
            #[allow(unreachable_patterns)]
            Some(match word { $(Word::$key => $text,)* _ => return None })
        }
    };
}
use translation;

/// A language that the app speaks.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum Language {
    #[default]
    English,
    Spanish,
}

impl Language {
    /// Every language.
    pub const ALL: [Self; 2] = [Self::English, Self::Spanish];

    /// Its tag (BCP 47), as browsers and pages write it.
    pub fn tag(self) -> &'static str {
        match self {
            Self::English => "en",
            Self::Spanish => "es",
        }
    }

    /// Its name in itself, for whoever reads no other.
    pub fn name(self) -> &'static str {
        match self {
            Self::English => "English",
            Self::Spanish => "Español",
        }
    }

    /// The language that a tag such as `es-MX` asks for, where the app speaks it.
    pub fn from_tag(tag: &str) -> Option<Self> {
        let first = tag.split(['-', '_']).next().unwrap_or_default();
        Self::ALL
            .into_iter()
            .find(|language| first.eq_ignore_ascii_case(language.tag()))
    }

    fn say(self, word: Word) -> &'static str {
        let own = match self {
            Self::English => None,
            Self::Spanish => spanish::say(word),
        };
        own.unwrap_or(ENGLISH[word as usize])
    }
}

thread_local! {
    static SPOKEN: Cell<Language> = const { Cell::new(Language::English) };
}

/// Makes this the language of the phone. Before the first page: what has been said already stays as it is.
pub fn speak(language: Language) {
    SPOKEN.set(language);
}

/// The language of the phone.
pub fn spoken() -> Language {
    SPOKEN.get()
}

catalogue! {
    // Joining.
    AppName = "Spinover",
    Send = "Send",
    Figures = "Figures",
    JoinTitle = "Join the crew",
    JoinName = "Your name",
    JoinNameHint = "As the crew calls you",
    JoinCode = "Code",
    JoinCodeHint = "Beside the QR code on the pit laptop",
    JoinGo = "Join",
    JoinWrong = "That code is not right. It stands beside the QR code on the pit laptop.",
    JoinNeedsName = "Type the name that the crew knows you by.",
    JoinNeedsCode = "Type the code, or scan the QR code again.",
    TooMany = "Too many tries from this network.",
    TooManyLeft = "Wait {0}, then it tries again by itself.",
    Looking = "Looking for the hub",
    LookingFor = "for {0}",
    LookingHint = "Is this phone on the pit's Wi-Fi, and is the pit laptop awake?",
    TryAgain = "Try again",
    ChangeCode = "Change name or code",
    WrongVersion = "This page is older or newer than the hub.",
    BadMessage = "The hub did not understand this page.",
    Reload = "Reload the page",
    HubSays = "The hub says: {0}",
    RoleTitle = "What do you do?",
    RoleHint = "You can change it at any time in the menu.",
    // Link.
    LinkConnecting = "connecting",
    LinkLive = "live",
    LinkLost = "Link lost",
    LinkLostHint = "Nothing below is live.",
    BookTrouble = "Not being written down: {0}",
    BookTroubleHint = "Marks and calls are refused until the disk is well again.",
    // Two laptops.
    SecondLaptop = "Second laptop",
    SecondFollows = "follows, {0} events behind",
    SecondNotThere = "not there",
    SecondAt = "at {0}",
    HandOver = "Hand over, hold",
    HandOverHint = "It then takes marks and calls, and this laptop no longer does.",
    OnStandby = "SECOND LAPTOP, NOT IN CHARGE",
    StandbyFirstHere = "The first laptop is there. This phone goes back to it.",
    StandbyFirstGone = "The first laptop is not there. Nothing can be marked until the crew chief lets this one take over.",
    TakeOverHold = "Take over, hold",
    OnReplaced = "THIS LAPTOP WAS REPLACED",
    ReplacedBy = "{0} is in charge. Readings still show here; nothing can be marked here.",
    MarkNotHere = "Not at this laptop",
    DoTakeOver = "take over",
    PastTookOver = "The second laptop took over",
    // Where the procedure is.
    NoWarmup = "No warm-up under way",
    NoWarmupCrew = "The crew chief begins one.",
    WarmupClosed = "Warm-up closed",
    AllDone = "All steps done",
    StepOf = "step {0} of {1}",
    Held = "HOLD",
    HeldBy = "Held by {0}: {1}",
    HeldByBare = "Held by {0}",
    Aborted = "ABORTED",
    AbortedBy = "Aborted by {0}: {1}",
    AbortedByBare = "Aborted by {0}",
    ShutDownOnly = "Only the shut-down is left.",
    YourStep = "Your step",
    OwnerIs = "{0}'s step",
    Safety = "Safety step",
    // Strips.
    InBand = "in band",
    LowBy = "low {0}",
    HighBy = "high {0}",
    Suspect = "suspect",
    NoReading = "no reading",
    AgeIs = "{0} old",
    TypedBy = "typed by {0}",
    NoValue = "–",
    StripIs = "{0}: {1}, {2}",
    NoStrips = "This role has no strips of its own. All strips are in the menu.",
    Seconds = "{0} s",
    Minutes = "{0} min",
    Hours = "{0} h",
    TrendTitle = "Last two minutes",
    TrendNow = "now",
    TrendAgo = "{0} ago",
    // Pages.
    PageCrew = "My strips",
    PageAll = "All strips",
    PageSteps = "Steps",
    PageChief = "Chief",
    PageLaptop = "Join and sources",
    PageWall = "Wall",
    Menu = "Menu",
    Close = "Close",
    // Calls.
    Call = "Call",
    CallTo = "To",
    Everyone = "everyone",
    CallOwnWords = "In your own words",
    CallSend = "Send",
    CallFrom = "{0}, {1}",
    CallMore = "{0} more waiting",
    CallsTitle = "Calls",
    CallsNone = "No calls yet.",
    Seen = "Seen",
    SeenBy = "Seen by {0}",
    NotSeenBy = "Not yet: {0}",
    SeenByNobody = "Nobody else is here to see it.",
    PutAway = "Put away",
    CalledAgain = "Unseen for {0} s: called again",
    CallSent = "“{0}”",
    ToRole = "to {0}",
    NoReadyCalls = "No ready calls in the car file for this role.",
    Stop = "STOP",
    StopHold = "Hold to stop",
    StopCalledBy = "STOP called by {0}",
    CalledBy = "called by {0}",
    StopTakeoverHint = "Stop what you are doing. Look at the crew chief.",
    LiftHold = "Hold to lift",
    // Alarms.
    Alarms = "Alarms",
    AlarmHint = "An alarm says that something is wrong and what to do. What the car sounds and looks like counts for more.",
    AlarmNone = "The car file has no alarms.",
    AlarmNormal = "all well",
    AlarmNew = "now",
    AlarmKnown = "known, still so",
    AlarmGone = "gone, not acknowledged",
    AlarmGoneKept = "gone, kept, not acknowledged",
    AlarmKept = "gone, kept until reset",
    AlarmShelved = "put aside",
    AlarmSuppressed = "means nothing in this phase",
    AlarmOut = "out of service",
    AlarmFirst = "First: {0}",
    AlarmThen = "Then: {0}",
    AlarmMore = "{0} more alarms",
    AlarmTrueNow = "It is true now.",
    AlarmAsideFor = "Put aside by {0} for {2} more: {1}",
    AlarmAsideBy = "Out of service by {0}: {1}",
    AlarmStop = "Hold: call STOP",
    AlarmAcknowledge = "Hold: known",
    AlarmReset = "Hold to reset",
    AlarmSetAside = "Put aside …",
    AlarmWhy = "Why",
    AlarmShelve = "Hold: for {0}",
    AlarmTakeOut = "Hold: out of service",
    AlarmBack = "Bring it back",
    AlarmTimes = " · came {0} ×",
    AgoShort = "{0} ago",
    DoAlarm = "alarm",
    // Steps.
    MarkHold = "Hold to mark",
    MarkWaits = "Waits",
    MarkNotLive = "No link: cannot mark",
    WaitsTitle = "Waits for",
    MustInBand = "{0} in band",
    MustAtLeast = "{0} at least {1}",
    MustAtMost = "{0} at most {1}",
    HoldsMore = "{0}, {1} s more",
    HoldsFor = "{0}, for {1} s",
    DwellLeft = "wait {0} s more",
    DwellMet = "waited long enough",
    DoubtSuspect = "the reading is suspect",
    DoubtOld = "the reading is old",
    DoubtNone = "no reading yet",
    LimitLeft = "{0} s left",
    LimitOver = "over by {0} s",
    LateCall = "Call “{0}”",
    Skip = "Skip",
    SkipTitle = "Why skip “{0}”?",
    SkipNotNeeded = "not needed today",
    SkipDoneBefore = "done before",
    SkipSensor = "sensor not working",
    SkipSend = "Hold to skip",
    SkipNeedsTwo = "A safety step: a second person must agree.",
    SkipAsked = "Waiting for a second person to agree to skip this safety step",
    SkipAskedBy = "{0} wants to skip a safety step",
    SkipReason = "Reason: {0}",
    SkipAgree = "Hold to agree",
    SkipWithdraw = "Take it back",
    Skipped = "skipped: {0}",
    UndoHold = "Hold to undo",
    Hold = "Hold",
    HoldOn = "Go on",
    Abort = "Abort",
    AbortHold = "Hold to abort",
    AbortHint = "The sheet goes to its shut-down. A reason helps afterwards, and need not be given.",
    AbortLeak = "leak",
    AbortOil = "no oil pressure",
    AbortFire = "fire",
    AbortOther = "other",
    MoreTitle = "Warm-up",
    MoreKey = "More",
    BeginOpen = "Begin a warm-up",
    Begin = "Begin “{0}”",
    BeginHint = "It closes the one under way.",
    CloseWarmup = "Close this warm-up",
    OutOfOrder = "can be marked now",
    StepDone = "done",
    StepCurrent = "now",
    DoneBy = "{0}, {1}",
    Reason = "Reason",
    // People and sources.
    People = "Who is here",
    PeopleNone = "Nobody has joined yet.",
    Gone = "gone {0}",
    LagMs = "{0} ms",
    ChiefRight = "chief",
    You = "you",
    Sources = "Sources",
    SourcesNone = "No source tells anything yet.",
    SourceWaiting = "waiting",
    SourceUp = "delivering",
    SourceEnded = "ended",
    SourceFailed = "failed",
    PerSecond = "{0} a second",
    FaultCount = "{0} × {1}",
    FaultMalformed = "not readable",
    FaultUnknown = "unknown channel",
    FaultNotNumber = "not a number",
    FaultAbsurd = "absurd value",
    FaultTimeBack = "time went back",
    FaultDuplicate = "came twice",
    FaultTooLong = "line too long",
    FaultTrouble = "trouble",
    SourceSince = "for {0}",
    SourceLost = "lost {0} ×",
    SourceIs = "from {0}",
    Speaks = "shown",
    SpeaksNot = "not shown",
    Good = "good",
    WhyRange = "out of range",
    WhyRate = "too fast",
    WhySpike = "jumped",
    WhyStuck = "does not move",
    ClockAhead = "clock {0} s ahead",
    ClockBehind = "clock {0} s behind",
    ClockOwn = "counts from its own start",
    ClockWatched = "pace not yet known",
    ClockFast = "{0} ppm fast",
    ClockSlow = "{0} ppm slow",
    ClockLate = "{0} ms late",
    JoinHere = "Scan to join",
    JoinType = "or type one of these",
    JoinCodeIs = "Code {0}",
    // Bands.
    Bands = "Bands",
    BandLow = "Low",
    BandHigh = "High",
    BandPhase = "In this phase only",
    BandAlways = "In all phases",
    BandSet = "Set",
    BandClear = "As in the file",
    BandBad = "Low must be less than high.",
    BandNone = "no band",
    // Calibration.
    Calibrate = "Calibrate",
    CalibrateHint = "Hold the quantity still, say what is true, take the point. One point shifts; two, well apart, also scale.",
    CalibrateNow = "Sensor {0}, shown {1}",
    CalibrateTrue = "True value now is",
    CalibrateTake = "Take this point",
    CalibratePoint = "sensor {0} is {1}",
    CalibrateOne = "Set: shift",
    CalibrateTwo = "Set: shift and scale",
    CalibrateAgain = "Points again",
    CalibrateFormula = "sensor × {0} {1} {2} {3}",
    CalibrateSetAt = "set at {0}",
    CalibrateFile = "from the car file",
    CalibrateNone = "as the sensor says",
    CalibrateBad = "These points do not fit one sensor. Take them again, further apart.",
    // Typing a reading in.
    TypeIn = "Type in",
    TypeTitle = "What does the gauge read?",
    TypePick = "Which gauge?",
    TypeSend = "Send {0}",
    Erase = "Erase",
    // Training.
    Train = "Train",
    TrainTitle = "Controls of the simulated car",
    TrainHint = "They move the simulation only. Nothing here reaches a car.",
    On = "on",
    Off = "off",
    More = "More",
    Less = "Less",
    // Figures.
    Between = "{0} to {1}",
    Attention = "Look",
    RestsOn = "What it rests on: {0}",
    CaseNumber = "Warm-up",
    CaseAir = "Air density",
    CaseFlow = "Flow",
    // What figures need typed in.
    ToldLast = "Last: {0} – {1}, {2}",
    Sign = "Plus or minus",
    Weather = "Weather",
    WeatherHint = "From a meter at the car, in the shade. The pressure there, not at sea level.",
    AirTemp = "Air temperature",
    AirPressure = "Pressure at the car",
    AirHumidity = "Humidity",
    AirPlace = "Where",
    Mix = "Fuel mix",
    MixHint = "Hydrometer and thermometer in the same fuel, at the same time.",
    MixGravity = "Specific gravity",
    MixTemp = "Fuel temperature",
    Can = "What to add to the can",
    CanHint = "All of it as warm as the can. Nitro is percent by volume. The rule book sets the limit, and the official decides.",
    CanHeld = "In the can now",
    CanHeldPct = "Nitro in that (empty: as measured)",
    CanWant = "Wanted in the can",
    CanWantPct = "Nitro wanted",
    CanTemp = "Temperature of the fuel",
    CanSend = "What to add?",
    CanOf = "{0} of {1} %",
    Rule = "Rule for the flow",
    RuleHint = "A flow that was right, the air that it was right in, and how it moves with the air.",
    RuleFlow = "Flow that was right",
    RuleDensity = "Air density then",
    RuleTakeAir = "Take today's air",
    RulePerDensity = "Flow for 1 % denser air",
    RulePerDegC = "Flow for 1 °C warmer, besides",
    RulePerDegF = "Flow for 1 °F warmer, besides",
    RuleOff = "Usually off by",
    Bleed = "Bleeds turned",
    BleedHint = "Say it when you have turned them. From two turns on it learns what they do.",
    BleedIn = "{0} in",
    BleedOut = "{0} out",
    BleedSend = "Turned just now",
    Slip = "Time slip",
    SlipHint = "As printed. Leave empty what is not on it.",
    SlipReaction = "Reaction, s",
    Slip60 = "60 ft, s",
    Slip330 = "330 ft, s",
    Slip660 = "660 ft, s",
    Slip1000 = "1000 ft, s",
    SlipSpeed330 = "330 ft",
    SlipSpeed660 = "660 ft",
    SlipSpeed1000 = "1000 ft",
    // The book.
    PageBook = "Book",
    BookSlow = "The disk is slow: a power cut could lose the last {0} s of readings.",
    BookFind = "Find",
    BookFindHint = "date, place, weather, driver, sheet, tag",
    BookKept = "Kept",
    BookDeleted = "Deleted ({0})",
    BookNone = "No warm-up fits.",
    BookNotThere = "The book has no such warm-up.",
    BookReading = "Reading the book",
    BookNotRead = "The book could not be read: {0}",
    BookNotDone = "Not done: {0}",
    BookSaved = "Written down",
    BookOpenStill = "not closed",
    BookLasted = "{0} min",
    BookSource = "Not from a live car: {0}",
    BookAbout = "About this warm-up",
    BookDriver = "Driver",
    BookTags = "Tags, with commas between",
    BookNote = "Note",
    BookSave = "Save",
    BookDelete = "Delete",
    BookDeleteHint = "It can be restored for 30 days.",
    BookDeleteHold = "Hold to delete",
    BookDeletedBy = "Deleted by {0}. It can be restored until {1}.",
    BookRestore = "Hold to restore",
    ReportOpen = "Report",
    CompareOpen = "Compare with the last ten",
    CompareWith = "Compare with another",
    TakeAway = "Take away",
    TakeCsv = "Readings (CSV)",
    TakeJson = "All of it (JSON)",
    ReplayOpen = "Play it back",
    ReplaySays = "Replay, not live",
    ReplayClose = "Back",
    ReplaySince = "{0} in",
    ReplayWaits = "waiting for the hub",
    ReplayPlay = "Play",
    ReplayPause = "Pause",
    ReplaySpeed = "{0}×",
    ReplayLine = "Where in the warm-up",
    ReplayMoments = "What happened",
    ReplayOutsideTitle = "Out of band",
    ReplayOutside = "{0} {1} for {2} min, farthest {3}",
    ReplayLow = "low",
    ReplayHigh = "high",
    PastAlarms = "Alarms then",
    PastAlarmNew = "nobody had acknowledged it",
    PastAlarmKnown = "acknowledged, still so then",
    PastAlarmCame = "came {0}",
    PastAlarmAside = "Put aside by {0} until {2}: {1}",
    PastAlarmTrue = "It was true then.",
    PastAlarmWent = "{0}: gone",
    PastAlarmAcknowledged = "{0}: acknowledged",
    PastAlarmReset = "{0}: reset",
    PastAlarmShelved = "{0}: put aside until {2}: {1}",
    PastAlarmOut = "{0}: out of service: {1}",
    PastAlarmBack = "{0}: brought back",
    PastAlarmAfter = "{0}, followed from: {1}",
    AlarmLive = "Live, on the car now",
    ReplayLost = "Part of this warm-up cannot be read from the book ({0} places). What is missing is left empty.",
    // Notices.
    Refused = "Refused: {0}",
    NotSent = "No link. Not sent: {0}",
    NotWritten = "Not yet written down: {0}",
    DoMark = "mark “{0}”",
    DoSkip = "skip “{0}”",
    DoAgree = "agree to skip “{0}”",
    DoUndo = "undo “{0}”",
    DoHold = "hold",
    DoResume = "go on",
    DoAbort = "abort",
    DoCall = "call “{0}”",
    DoStop = "STOP",
    DoSeen = "seen",
    DoLift = "lift",
    DoBand = "band",
    DoCalibrate = "calibration",
    DoType = "reading",
    DoNote = "remark",
    DoWeather = "weather",
    DoMix = "mix",
    DoCan = "what to add to the can",
    DoRule = "rule for the flow",
    DoBleed = "bleed turn",
    DoSlip = "time slip",
    DoBegin = "begin",
    DoClose = "close",
    DoTrain = "control",
    // Settings.
    Settings = "This phone",
    LanguageTitle = "Language",
    UnitsTitle = "Units",
    UnitsCar = "as in the car file",
    UnitsUs = "US",
    UnitsSi = "SI",
    LightTitle = "Light",
    LightDay = "day",
    LightNight = "night",
    SpeechTitle = "Calls and alarms spoken aloud",
    RoleChange = "Role: {0}",
    NameChange = "{0}: change name or code",
    CautionsShort = "Cautions",
    FullScreen = "Full screen",
    // Keyboard.
    Shortcuts = "Keyboard",
    ShortcutsTitle = "Single keys",
    ShortcutHint = "None of them marks or stops: for that, the key on the screen is held.",
    ShortcutTabs = "the pages, from left to right",
    ShortcutCall = "call out",
    ShortcutMenu = "the menu",
    ShortcutHelp = "this list",
    ShortcutEscape = "close what lies over the page",
    ShortcutSpace = "Space, Enter",
    ShortcutHold = "hold the key that has the focus",
    // Cautions.
    CautionsTitle = "Before you stand at the car",
    CautionsAdvises = "Spinover advises and records. It never controls the car, and its stop is a call, not a switch.",
    CautionsRules = "The rule book, the officials and the licensed people there decide. Their word goes before anything on this screen.",
    CautionsNitroTitle = "Nitromethane",
    CautionsNitro = "Its exhaust blinds and chokes: respirator on before the fuel comes on. Shut in or shocked it can explode.",
    CautionsHearTitle = "Hearing",
    CautionsHear = "Plugs and muffs together, before the engine turns. You will not hear a shout: watch hands and this screen.",
    CautionsFireTitle = "Fire",
    CautionsFire = "Nothing is started without a charged bottle, manned, and a clear way out for the driver.",
    CautionsLockTitle = "Hydraulic lock",
    CautionsLock = "Fuel that lies in a cylinder can break the engine as it turns, with no spark at all. Prove every cylinder clear before ignition.",
    CautionsReadTitle = "Readings",
    CautionsRead = "A number here can be wrong or late. When the gauge on the car and the screen disagree, believe the worse one and stop.",
    CautionsOk = "Understood",
}

/// The message in the language of this phone.
pub fn say(word: Word) -> &'static str {
    spoken().say(word)
}

/// The message with `{0}`, `{1}` … filled in.
pub fn fill(word: Word, parts: &[&str]) -> String {
    let mut text = String::new();
    let mut rest = say(word);
    while let Some(open) = rest.find('{') {
        text.push_str(&rest[..open]);
        let Some(close) = rest[open..].find('}') else {
            break;
        };
        let index: usize = rest[open + 1..open + close].parse().unwrap_or(usize::MAX);
        text.push_str(parts.get(index).copied().unwrap_or(""));
        rest = &rest[open + close + 1..];
    }
    text.push_str(rest);
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parts_go_where_the_message_wants_them() {
        assert_eq!(
            fill(Word::HoldsMore, &["Oil pressure in band", "1.2"]),
            "Oil pressure in band, 1.2 s more"
        );
        assert_eq!(
            fill(Word::CallSent, &["{0}"]),
            "“{0}”",
            "what people typed is not filled in again"
        );
        assert_eq!(say(Word::AppName), "Spinover");
    }

    /// The numbers between a message's braces, in order of size.
    fn parts(text: &str) -> Vec<usize> {
        let mut parts: Vec<usize> = text
            .split('{')
            .skip(1)
            .map(|part| {
                let (index, _) = part.split_once('}').unwrap_or_else(|| panic!("{text}"));
                index.parse().unwrap_or_else(|_| panic!("{text}"))
            })
            .collect();
        parts.sort_unstable();
        parts
    }

    #[test]
    fn every_language_has_every_word_with_the_same_parts() {
        let own = |language, word| match language {
            Language::English => Some(ENGLISH[word as usize]),
            Language::Spanish => spanish::say(word),
        };
        for language in Language::ALL {
            for word in WORDS.iter().copied() {
                let text = own(language, word)
                    .unwrap_or_else(|| panic!("{word:?} is not in {}", language.name()));
                assert!(!text.trim().is_empty(), "{word:?} in {}", language.name());
                assert_eq!(
                    parts(text),
                    parts(ENGLISH[word as usize]),
                    "{word:?} in {}",
                    language.name()
                );
            }
        }
    }

    #[test]
    fn a_browsers_tag_finds_the_language() {
        for (tag, language) in [
            ("es", Some(Language::Spanish)),
            ("es-419", Some(Language::Spanish)),
            ("ES_mx", Some(Language::Spanish)),
            ("en-GB", Some(Language::English)),
            ("est", None),
            ("", None),
        ] {
            assert_eq!(Language::from_tag(tag), language, "{tag}");
        }
    }

    #[test]
    fn the_phone_says_what_its_language_says() {
        speak(Language::Spanish);
        assert_eq!(say(Word::Seen), "Visto");
        assert_eq!(fill(Word::StepOf, &["3", "24"]), "paso 3 de 24");
        speak(Language::English);
        assert_eq!(say(Word::Seen), "Seen");
    }
}
