//! Who may come in, over plain HTTP: the devices that have joined, putting one out, and a new code. For the chief only.
//! `GET /api/devices`, `POST /api/devices/ID/out`, `POST /api/code`.

use crate::json::FromJson;
use crate::{Millis, PersonId, RoleKey, event::Right};
use serde::{Deserialize, Serialize};

/// A device that has joined and may come back by its token.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, FromJson)]
pub struct Device {
    /// What it calls itself.
    pub device: PersonId,
    /// The name that was given with it last.
    pub name: String,
    /// The role it had last.
    pub role: RoleKey,
    /// What it may do.
    pub right: Right,
    /// When it first joined.
    pub since: Millis,
    /// When it last joined.
    pub last: Millis,
    /// The chief has put it out.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub out: bool,
}

/// How a device is put out.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, FromJson)]
pub struct PutOut {
    /// Also make a new code of its kind, so that it cannot come back by the one that it knows.
    #[serde(default)]
    pub new_code: bool,
}

/// Which code is to be made anew.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, FromJson)]
pub struct Renew {
    /// The crew's or the chief's.
    pub right: Right,
}

/// A code that was made anew. The one before is never taken again, not even after a restart.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, FromJson)]
pub struct NewCode {
    /// The code; absent where none was asked for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub code: Option<String>,
}
