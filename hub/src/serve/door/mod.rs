//! The door: who may come in, by what name the hub answers, and what it tells browsers to forbid. `docs/security.md` says against
//! whom. The network under it (connections, time limits, encryption) is in `net`.

pub mod devices;
pub mod guesses;
pub mod hosts;
pub mod policy;
pub mod sessions;

use super::{
    codes::{self, Codes},
    discovery,
};
use guesses::Guesses;
use hosts::Hosts;
use sessions::{Sessions, Token};
use spinover_protocol::{
    Millis, PersonId,
    event::{Right, Who},
    message::{HubMessage, Join, Trust},
};
use std::{
    io::{self, Write},
    net::{IpAddr, SocketAddr},
    path::Path,
    sync::{Arc, Mutex, PoisonError, RwLock},
    time::{Duration, Instant},
};
use tokio::sync::watch;

/// How often it is looked at whether the chief must be told of guessing.
const LOOK_EVERY: Duration = Duration::from_secs(1);

/// Why somebody is not let in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Denied {
    /// The code is wrong; the next try is looked at after the wait.
    Wrong(Duration),
    /// Not looked at: too early after a wrong one.
    Wait(Duration),
    /// A token that the hub does not know: the device may try by code at once.
    Unknown,
    /// The chief has put the device out.
    PutOut,
}

/// The codes as they were given, and the one to join by.
struct Codewords {
    crew: String,
    chief: String,
}

/// The door of a hub.
pub struct Door {
    codes: Codes,
    words: Mutex<Codewords>,
    /// Wrong codes.
    pub guesses: Guesses,
    /// Devices and their tokens.
    pub sessions: Arc<Sessions>,
    /// The names that it answers to.
    pub hosts: Arc<Hosts>,
    address: SocketAddr,
    /// Made once a code: five hundred phones may ask for it in a second.
    join: RwLock<Join>,
}

impl Door {
    /// A door with those codes. `trust` where traffic is encrypted.
    pub fn new(
        crew: String,
        chief: String,
        sessions: Arc<Sessions>,
        hosts: Arc<Hosts>,
        address: SocketAddr,
        trust: Option<Trust>,
    ) -> Self {
        Self {
            join: RwLock::new(join(address, trust, &crew)),
            codes: Codes::new(&crew, &chief),
            words: Mutex::new(Codewords { crew, chief }),
            guesses: Guesses::default(),
            sessions,
            hosts,
            address,
        }
    }

    /// What a code allows.
    ///
    /// # Errors
    /// When it is wrong, or when that address must wait.
    pub fn check(&self, code: &str, from: IpAddr, now: Instant) -> Result<Right, Denied> {
        if let Some(wait) = self.guesses.wait(from, now) {
            return Err(Denied::Wait(wait));
        }
        match self.codes.right(code) {
            Some(right) => {
                self.guesses.right(from);
                Ok(right)
            }
            None => {
                let wait = self.guesses.wrong(from, now);
                tracing::warn!(%from, "a wrong code");
                Err(Denied::Wrong(wait))
            }
        }
    }

    /// What a token allows, where it was given to that device.
    ///
    /// # Errors
    /// When it allows nothing.
    pub fn check_token(&self, token: &str, device: Option<&PersonId>) -> Result<Right, Denied> {
        match self.sessions.look(token) {
            Token::Good(right, of) if device.is_none_or(|device| *device == of) => Ok(right),
            Token::PutOut => Err(Denied::PutOut),
            _ => Err(Denied::Unknown),
        }
    }

    /// Notes that somebody has come in; a token for next time where it was by code.
    pub fn came_in(
        &self,
        who: &Who,
        right: Right,
        token: Option<&str>,
        now: Millis,
    ) -> Option<String> {
        match token {
            Some(token) => {
                self.sessions.back(token, who, now);
                None
            }
            None => self.sessions.give(who, right, now).ok(),
        }
    }

    /// The crew code and the chief code as they are now.
    pub fn codes(&self) -> (String, String) {
        let words = self.words.lock().unwrap_or_else(PoisonError::into_inner);
        (words.crew.clone(), words.chief.clone())
    }

    /// How to join, as it is now.
    pub fn join(&self) -> Join {
        let join = self.join.read().unwrap_or_else(PoisonError::into_inner);
        join.clone()
    }

    /// Makes a code anew and returns it; slow, because of the hashes for the disk.
    ///
    /// # Errors
    /// When it cannot be written down; the old code then still holds.
    pub fn renew(&self, right: Right) -> anyhow::Result<String> {
        let new = codes::random_for(right)?;
        let mut words = self.words.lock().unwrap_or_else(PoisonError::into_inner);
        let word = match right {
            Right::Crew => &mut words.crew,
            Right::Chief => &mut words.chief,
        };
        self.sessions.replace(right, word, &new)?;
        word.clone_from(&new);
        self.codes.set(right, &new);
        if right == Right::Crew {
            let mut known = self.join.write().unwrap_or_else(PoisonError::into_inner);
            *known = join(self.address, known.trust.take(), &new);
        }
        Ok(new)
    }

    /// Tells of guessing for as long as the hub runs: the log when it begins, and everyone's board as it goes on.
    pub async fn watch(
        self: Arc<Self>,
        show: impl Fn(HubMessage) + Send,
        mut stop: watch::Receiver<bool>,
    ) {
        let mut told = None;
        loop {
            tokio::select! {
                () = super::stopped(&mut stop) => return,
                () = tokio::time::sleep(LOOK_EVERY) => {}
            }
            let now = self.guesses.to_tell(Instant::now());
            if now == told {
                continue;
            }
            let (wrong, addresses) = now.unwrap_or_default();
            if told.is_none() {
                tracing::warn!(
                    "somebody tries codes: {wrong} wrong codes in a minute from {addresses} addresses"
                );
            } else if now.is_none() {
                tracing::info!("nobody tries codes any more");
            }
            show(HubMessage::Guessing { wrong, addresses });
            told = now;
        }
    }
}

fn join(address: SocketAddr, trust: Option<Trust>, code: &str) -> Join {
    let urls = discovery::join_urls(address, trust.is_some(), code);
    Join {
        qr_svg: discovery::qr_svg(urls.first().map_or("", String::as_str)),
        urls,
        trust,
    }
}

/// Writes a file that only this user may read, whole or not at all.
///
/// # Errors
/// When it cannot.
pub fn write_private(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let folder = path.parent().unwrap_or_else(|| Path::new("."));
    // A temporary file is made with mode 0600, and keeps it.
    let mut file = tempfile::NamedTempFile::new_in(folder)?;
    file.write_all(bytes)?;
    file.as_file().sync_all()?;
    file.persist(path).map_err(|error| error.error)?;
    // The new name is on the disk only once the folder is.
    #[cfg(unix)]
    std::fs::File::open(folder)?.sync_all()?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn door(data: &Path) -> Door {
        let sessions = Arc::new(Sessions::open(data, 0).unwrap());
        let address = SocketAddr::from(([192, 0, 2, 7], 4780));
        Door::new(
            "crew-code".into(),
            "Chief Code".into(),
            sessions,
            Arc::new(Hosts::new(&[])),
            address,
            None,
        )
    }

    #[test]
    fn waits_grow_and_a_right_code_must_wait_too() {
        let data = tempfile::tempdir().unwrap();
        let door = door(data.path());
        let (from, start) = (IpAddr::from([10, 0, 0, 7]), Instant::now());
        assert_eq!(door.check("chief-code", from, start), Ok(Right::Chief));
        let mut now = start;
        let mut waits = Vec::new();
        for _ in 0..12 {
            let Err(Denied::Wrong(wait)) = door.check("guess", from, now) else {
                panic!("looked at")
            };
            assert!(matches!(
                door.check("crewcode", from, now),
                Err(Denied::Wait(_))
            ));
            waits.push(wait.as_millis());
            now += wait;
        }
        assert_eq!(
            waits,
            [
                250, 500, 1000, 2000, 4000, 8000, 16000, 32000, 60000, 60000, 60000, 60000
            ]
        );
        assert_eq!(door.check("CREWCODE", from, now), Ok(Right::Crew));
        assert_eq!(
            door.check("crew code", IpAddr::from([10, 0, 0, 8]), now),
            Ok(Right::Crew)
        );
    }

    #[test]
    fn a_token_is_good_for_its_device_only() {
        let data = tempfile::tempdir().unwrap();
        let door = door(data.path());
        let who = Who {
            id: "phone-0001".into(),
            name: "Ines".into(),
            role: "idle".into(),
        };
        let token = door.came_in(&who, Right::Crew, None, 1).unwrap();
        assert_eq!(door.check_token(&token, Some(&who.id)), Ok(Right::Crew));
        assert_eq!(
            door.check_token(&token, Some(&"phone-0002".into())),
            Err(Denied::Unknown)
        );
        assert_eq!(door.came_in(&who, Right::Crew, Some(&token), 2), None);
    }

    #[test]
    fn a_renewed_code_takes_the_place_of_the_old_everywhere() {
        let data = tempfile::tempdir().unwrap();
        let door = door(data.path());
        let from = IpAddr::from([10, 0, 0, 7]);
        let new = door.renew(Right::Crew).unwrap();
        assert!(matches!(
            door.check("crew-code", from, Instant::now()),
            Err(Denied::Wrong(_))
        ));
        let later = Instant::now() + Duration::from_secs(1);
        assert_eq!(door.check(&new, from, later), Ok(Right::Crew));
        assert_eq!(door.join().urls, [format!("http://192.0.2.7:4780/#{new}")]);
        assert!(door.sessions.replaced("crew-code"));
    }
}
