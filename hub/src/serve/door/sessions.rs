//! The devices that have joined: each has a token of its own to come back by, kept as a hash, and can be put out by the chief.
//!
//! A token has 128 random bits, so a fast hash of it tells nobody anything. What a person made up is another matter: of codes,
//! only argon2 hashes are kept, of those that the chief has replaced (they never open again) and of those that were given at the
//! last start (devices that came in by one that is another now come in anew).

use super::super::codes;
use argon2::{Argon2, PasswordHash, PasswordHasher, PasswordVerifier, password_hash::SaltString};
use base64::{Engine, prelude::BASE64_STANDARD_NO_PAD};
use serde::{Deserialize, Serialize};
use spinover_protocol::{
    Millis, PersonId,
    door::Device,
    event::{Right, Who},
};
use std::{
    collections::HashMap,
    io,
    path::{Path, PathBuf},
    sync::{Arc, Mutex, MutexGuard, PoisonError},
    time::Duration,
};
use tokio::sync::{Notify, watch};

/// The file in the data directory.
pub const FILE: &str = "devices.json";
/// Tokens that are kept; the ones not used for longest go first.
const KEPT: usize = 4_096;
/// Tokens of one device: a second tab, a phone that lost its memory.
const A_DEVICE: usize = 4;
/// A token not used for so long is forgotten: a season's break.
const UNUSED_MS: Millis = 180 * 24 * 3_600_000;
/// Replaced codes that are remembered.
const REPLACED: usize = 16;
/// How long new tokens are gathered before they are written. What a power cut takes of them costs a phone one try by code.
const GATHER: Duration = Duration::from_millis(500);

/// What is on the disk.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
struct Kept {
    #[serde(default)]
    tokens: Vec<Entry>,
    /// The codes that were given at the last start, by right, as argon2 hashes; none where they were random.
    #[serde(default)]
    given: HashMap<String, String>,
    /// Codes that the chief has replaced, as argon2 hashes, oldest first.
    #[serde(default)]
    replaced: Vec<String>,
}

#[derive(Clone, Debug, Serialize, Deserialize)]
struct Entry {
    /// BLAKE3 of the token.
    hash: String,
    #[serde(flatten)]
    device: Device,
}

#[derive(Debug, Default)]
struct Inner {
    tokens: HashMap<String, Device>,
    given: HashMap<String, String>,
    replaced: Vec<String>,
    /// When each device was last put out, counted; sockets compare it with the count at which they joined.
    outs: HashMap<PersonId, u64>,
}

/// The devices that have joined.
#[derive(Debug)]
pub struct Sessions {
    inner: Mutex<Inner>,
    path: PathBuf,
    outs: watch::Sender<u64>,
    changed: Notify,
    /// One writer at a time, so that an older list never replaces a newer one.
    writing: Mutex<()>,
}

/// What a token is worth.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Token {
    /// It opens.
    Good(Right, PersonId),
    /// It did, until the chief put the device out.
    PutOut,
    /// Never heard of it.
    Unknown,
}

/// How a token begins, which no random code does, so that a token that is not known is not taken for a wrong code.
const BEGINS: &str = "device.";

/// Whether a text is a token, and not a code.
pub fn is_token(text: &str) -> bool {
    text.strip_prefix(BEGINS)
        .is_some_and(|rest| rest.len() == 32 && rest.bytes().all(|byte| byte.is_ascii_hexdigit()))
}

fn key(right: Right) -> &'static str {
    match right {
        Right::Crew => "crew",
        Right::Chief => "chief",
    }
}

fn hash(token: &str) -> String {
    blake3::hash(token.as_bytes()).to_hex().to_string()
}

/// A code's hash for the disk: slow on purpose (Argon2id, the parameters that its crate recommends, from OWASP's list).
fn slow_hash(code: &str) -> anyhow::Result<String> {
    let mut bytes = [0; 16];
    getrandom::fill(&mut bytes)?;
    let salt = SaltString::from_b64(&BASE64_STANDARD_NO_PAD.encode(bytes))
        .map_err(|error| anyhow::anyhow!("{error}"))?;
    let hash = Argon2::default().hash_password(codes::plain(code).as_bytes(), &salt);
    Ok(hash
        .map_err(|error| anyhow::anyhow!("{error}"))?
        .to_string())
}

fn is(code: &str, kept: &str) -> bool {
    PasswordHash::new(kept).is_ok_and(|kept| {
        Argon2::default()
            .verify_password(codes::plain(code).as_bytes(), &kept)
            .is_ok()
    })
}

impl Sessions {
    /// Opens what is kept in a data directory. A file that cannot be understood is put aside, not overwritten: phones then join
    /// by code, which is better than a hub that does not start.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn open(data: &Path, now: Millis) -> io::Result<Self> {
        let path = data.join(FILE);
        let kept = match std::fs::read(&path) {
            Ok(bytes) => serde_json::from_slice(&bytes).unwrap_or_else(|error| {
                let aside = path.with_extension("json.unreadable");
                tracing::error!("the devices cannot be read ({error}); they join by code, and the file is kept as {}", aside.display());
                let _ = std::fs::rename(&path, aside);
                Kept::default()
            }),
            Err(error) if error.kind() == io::ErrorKind::NotFound => Kept::default(),
            Err(error) => return Err(error),
        };
        let tokens = kept.tokens.into_iter();
        let inner = Inner {
            tokens: tokens
                .filter(|entry| now - entry.device.last < UNUSED_MS)
                .map(|entry| (entry.hash, entry.device))
                .collect(),
            given: kept.given,
            replaced: kept.replaced,
            outs: HashMap::new(),
        };
        Ok(Self {
            inner: Mutex::new(inner),
            path,
            outs: watch::Sender::new(0),
            changed: Notify::new(),
            writing: Mutex::new(()),
        })
    }

    fn lock(&self) -> MutexGuard<'_, Inner> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Whether the chief has replaced that code; slow.
    pub fn replaced(&self, code: &str) -> bool {
        let replaced = self.lock().replaced.clone();
        replaced.iter().any(|kept| is(code, kept))
    }

    /// Notes a code that is to hold from now on; slow. Devices that came in by another one that was given are forgotten; a random
    /// code, which nobody can have chosen to change, changes nothing for them.
    ///
    /// # Errors
    /// When the system has no random numbers.
    pub fn hold(&self, right: Right, given: Option<&str>) -> anyhow::Result<()> {
        let Some(code) = given else { return Ok(()) };
        let before = self.lock().given.get(key(right)).cloned();
        if before.as_ref().is_some_and(|kept| is(code, kept)) {
            return Ok(());
        }
        let kept = slow_hash(code)?;
        let mut inner = self.lock();
        if before.is_some() {
            inner.tokens.retain(|_, device| device.right != right);
        }
        inner.given.insert(key(right).to_owned(), kept);
        self.changed.notify_one();
        Ok(())
    }

    /// Remembers for good that a code does not open any more, and that another holds; slow.
    ///
    /// # Errors
    /// When it cannot be written down; then it is as it was.
    pub fn replace(&self, right: Right, old: &str, new: &str) -> anyhow::Result<()> {
        let (old, new) = (slow_hash(old)?, slow_hash(new)?);
        let mut inner = self.lock();
        inner.replaced.push(old);
        let too_many = inner.replaced.len().saturating_sub(REPLACED);
        inner.replaced.drain(..too_many);
        inner.given.insert(key(right).to_owned(), new);
        drop(inner);
        Ok(self.save()?)
    }

    /// Forgets every device, as if the book were new.
    pub fn forget(&self) {
        self.lock().tokens.clear();
        self.changed.notify_one();
    }

    /// A token for a device that came in by code.
    ///
    /// # Errors
    /// When the system has no random numbers.
    pub fn give(&self, who: &Who, right: Right, now: Millis) -> Result<String, getrandom::Error> {
        let mut bytes = [0; 16];
        getrandom::fill(&mut bytes)?;
        let hex: String = bytes.iter().map(|byte| format!("{byte:02x}")).collect();
        let token = BEGINS.to_owned() + &hex;
        let mut inner = self.lock();
        let since = inner
            .of(&who.id)
            .map(|(_, device)| device.since)
            .min()
            .unwrap_or(now);
        // It is in again: what the chief put out before is void for good, and the list says so no more.
        inner
            .tokens
            .retain(|_, device| device.device != who.id || !device.out);
        inner.trim(&who.id);
        let device = Device {
            device: who.id.clone(),
            name: who.name.clone(),
            role: who.role.clone(),
            right,
            since,
            last: now,
            out: false,
        };
        inner.tokens.insert(hash(&token), device);
        self.changed.notify_one();
        Ok(token)
    }

    /// What a token is worth, from the device that it was given to.
    pub fn look(&self, token: &str) -> Token {
        match self.lock().tokens.get(&hash(token)) {
            Some(device) if device.out => Token::PutOut,
            Some(device) => Token::Good(device.right, device.device.clone()),
            None => Token::Unknown,
        }
    }

    /// Notes that a device has come back by its token.
    pub fn back(&self, token: &str, who: &Who, now: Millis) {
        if let Some(device) = self.lock().tokens.get_mut(&hash(token)) {
            device.last = now;
            device.name.clone_from(&who.name);
            device.role.clone_from(&who.role);
        }
        self.changed.notify_one();
    }

    /// The devices, whoever came last first; one line a device.
    pub fn list(&self) -> Vec<Device> {
        let mut list: Vec<Device> = self.lock().tokens.values().cloned().collect();
        list.sort_by(|a, b| b.last.cmp(&a.last).then_with(|| a.device.cmp(&b.device)));
        let mut seen = std::collections::HashSet::new();
        list.retain(|device| seen.insert(device.device.clone()));
        list
    }

    /// Puts a device out: its tokens are void, and its sockets end. It is on the disk when this returns.
    ///
    /// # Errors
    /// When it cannot be written down; it is out all the same.
    pub fn put_out(&self, device: &PersonId) -> io::Result<()> {
        let mut inner = self.lock();
        for known in inner.tokens.values_mut() {
            known.out |= known.device == *device;
        }
        let mut count = 0;
        self.outs.send_modify(|outs| {
            *outs += 1;
            count = *outs;
        });
        inner.outs.insert(device.clone(), count);
        drop(inner);
        self.save()
    }

    /// Changes whenever a device is put out; its value at the time of joining goes to [`Sessions::is_out`].
    pub fn outs(&self) -> watch::Receiver<u64> {
        self.outs.subscribe()
    }

    /// Whether a device that joined then has been put out since.
    pub fn is_out(&self, device: &PersonId, joined: u64) -> bool {
        let inner = self.lock();
        inner.outs.get(device).is_some_and(|count| *count > joined)
    }

    /// Writes the list down, whole or not at all.
    ///
    /// # Errors
    /// When it cannot.
    pub fn save(&self) -> io::Result<()> {
        let _one = self.writing.lock().unwrap_or_else(PoisonError::into_inner);
        let kept = self.lock().kept();
        super::write_private(&self.path, &serde_json::to_vec_pretty(&kept)?)
    }

    /// Writes what has changed, gathered, until the hub stops.
    pub async fn keep(self: Arc<Self>, mut stop: watch::Receiver<bool>) {
        let mut stopping = false;
        while !stopping {
            tokio::select! {
                () = super::super::stopped(&mut stop) => stopping = true,
                () = self.changed.notified() => {
                    tokio::select! {
                        () = super::super::stopped(&mut stop) => stopping = true,
                        () = tokio::time::sleep(GATHER) => {}
                    }
                }
            }
            let sessions = self.clone();
            let saved = tokio::task::spawn_blocking(move || sessions.save()).await;
            if let Ok(Err(error)) = saved {
                tracing::error!(
                    "the devices cannot be written down ({error}); after a restart they join by code"
                );
            }
        }
    }
}

impl Inner {
    fn of(&self, device: &PersonId) -> impl Iterator<Item = (&String, &Device)> {
        let device = device.clone();
        self.tokens
            .iter()
            .filter(move |(_, known)| known.device == device)
    }

    /// Makes room for one more token of a device.
    fn trim(&mut self, device: &PersonId) {
        let oldest = |list: Vec<(&String, &Device)>| {
            let oldest = list.into_iter().min_by_key(|(_, device)| device.last);
            oldest.map(|(hash, _)| hash.clone())
        };
        let gone = if self.of(device).count() >= A_DEVICE {
            oldest(self.of(device).collect())
        } else if self.tokens.len() >= KEPT {
            oldest(self.tokens.iter().collect())
        } else {
            None
        };
        if let Some(gone) = gone {
            self.tokens.remove(&gone);
        }
    }

    fn kept(&self) -> Kept {
        let entry = |(hash, device): (&String, &Device)| Entry {
            hash: hash.clone(),
            device: device.clone(),
        };
        let mut tokens: Vec<Entry> = self.tokens.iter().map(entry).collect();
        tokens.sort_by(|a, b| a.hash.cmp(&b.hash));
        Kept {
            tokens,
            given: self.given.clone(),
            replaced: self.replaced.clone(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn who(device: &str) -> Who {
        Who {
            id: device.into(),
            name: "Ines".to_owned(),
            role: "idle".into(),
        }
    }

    #[test]
    fn a_token_opens_after_a_restart_until_its_device_is_put_out() {
        let data = tempfile::tempdir().unwrap();
        let sessions = Sessions::open(data.path(), 0).unwrap();
        let token = sessions.give(&who("phone-0001"), Right::Crew, 5).unwrap();
        let other = sessions.give(&who("phone-0002"), Right::Chief, 6).unwrap();
        sessions.save().unwrap();
        let text = std::fs::read_to_string(data.path().join(FILE)).unwrap();
        assert!(!text.contains(&token) && !text.contains(&other));

        let sessions = Sessions::open(data.path(), 7).unwrap();
        assert_eq!(
            sessions.look(&token),
            Token::Good(Right::Crew, "phone-0001".into())
        );
        let joined = *sessions.outs().borrow();
        sessions.put_out(&"phone-0001".into()).unwrap();
        assert!(sessions.is_out(&"phone-0001".into(), joined));
        assert!(!sessions.is_out(&"phone-0002".into(), joined));
        let sessions = Sessions::open(data.path(), 8).unwrap();
        assert_eq!(sessions.look(&token), Token::PutOut);
        assert_eq!(
            sessions.look(&other),
            Token::Good(Right::Chief, "phone-0002".into())
        );
        assert_eq!(sessions.look("guess"), Token::Unknown);
    }

    #[test]
    fn another_code_than_last_time_is_for_devices_too() {
        let data = tempfile::tempdir().unwrap();
        let sessions = Sessions::open(data.path(), 0).unwrap();
        sessions.hold(Right::Crew, Some("first-code")).unwrap();
        let crew = sessions.give(&who("phone-0001"), Right::Crew, 5).unwrap();
        let chief = sessions.give(&who("phone-0002"), Right::Chief, 5).unwrap();
        for same in [None, Some("FIRST code")] {
            sessions.hold(Right::Crew, same).unwrap();
            assert!(matches!(sessions.look(&crew), Token::Good(..)), "{same:?}");
        }
        sessions.hold(Right::Crew, Some("second-code")).unwrap();
        assert_eq!(sessions.look(&crew), Token::Unknown);
        assert!(matches!(sessions.look(&chief), Token::Good(..)));
    }

    #[test]
    fn a_replaced_code_is_known_again_and_its_text_is_not_on_the_disk() {
        let data = tempfile::tempdir().unwrap();
        let sessions = Sessions::open(data.path(), 0).unwrap();
        sessions
            .replace(Right::Crew, "old-code", "new-code")
            .unwrap();
        let text = std::fs::read_to_string(data.path().join(FILE)).unwrap();
        assert!(
            !text.contains("old") && text.contains("$argon2id$"),
            "{text}"
        );
        let sessions = Sessions::open(data.path(), 1).unwrap();
        assert!(sessions.replaced("Old Code"));
        assert!(!sessions.replaced("new-code"));
    }

    #[test]
    fn one_device_keeps_a_few_tokens_only() {
        let data = tempfile::tempdir().unwrap();
        let sessions = Sessions::open(data.path(), 0).unwrap();
        let first = sessions.give(&who("phone-0001"), Right::Crew, 1).unwrap();
        for at in 0..A_DEVICE as i64 {
            sessions
                .give(&who("phone-0001"), Right::Crew, 2 + at)
                .unwrap();
        }
        assert_eq!(sessions.look(&first), Token::Unknown);
        assert_eq!(sessions.list().len(), 1);
    }
}
