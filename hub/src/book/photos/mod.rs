//! Photos of warm-ups: files in the data directory under `photos/`, each named by the hash of what is in it, so that the same picture lies
//! there once and a changed one is noticed. Which warm-up has which is in `warmups.photos`.
//!
//! A photo is written whole under another name and synced before the book's thread gives it its name and its warm-up. Only that thread
//! names and removes files, so that none goes while another warm-up takes it.

mod picture;

pub use picture::{Kind, Picture, SMALL_SIDE};

use super::{BookError, Reader, read, store};
use rusqlite::{Connection, TransactionBehavior, params};
use spinover_protocol::book::{MAX_PHOTOS, is_photo};
use std::{
    collections::BTreeSet,
    fs,
    io::{self, Read, Seek, Write},
    path::{Path, PathBuf},
};

/// Name of the folder in the data directory.
const FOLDER: &str = "photos";
/// The folder of small pictures in it, which are made anew when they are gone.
const SMALL: &str = "small";
/// How a file that is not whole begins.
const PART: &str = ".part-";

/// The folder of photos.
#[derive(Clone, Debug)]
pub struct Photos(PathBuf);

/// A photo that is on the disk, whole, without its name.
#[derive(Debug)]
pub struct Ready {
    name: String,
    file: tempfile::NamedTempFile,
    small: Option<tempfile::NamedTempFile>,
}

/// The name of a picture with these bytes.
fn name_of(kind: Kind, bytes: &[u8]) -> String {
    format!("{}.{}", blake3::hash(bytes).to_hex(), kind.end())
}

fn kind_of(name: &str) -> Option<Kind> {
    let (_, end) = name.split_once('.').filter(|_| is_photo(name))?;
    Kind::ALL.into_iter().find(|kind| kind.end() == end)
}

fn failed(path: &Path, error: &io::Error) -> BookError {
    BookError::Io(path.display().to_string(), error.to_string())
}

impl Photos {
    /// Those in a data directory; nothing is made yet.
    pub fn of(dir: &Path) -> Self {
        Self(dir.join(FOLDER))
    }

    fn path(&self, name: &str) -> PathBuf {
        self.0.join(name)
    }

    fn small_path(&self, name: &str) -> PathBuf {
        self.0.join(SMALL).join(name).with_extension("jpg")
    }

    /// Writes a picture down and syncs it. Takes as long as the disk does.
    ///
    /// # Errors
    /// What the system says.
    pub fn ready(&self, picture: &Picture) -> Result<Ready, BookError> {
        let small_folder = self.0.join(SMALL);
        fs::create_dir_all(&small_folder).map_err(|error| failed(&small_folder, &error))?;
        let written = |folder: &Path, bytes: &[u8]| {
            let write = || {
                let mut file = tempfile::Builder::new().prefix(PART).tempfile_in(folder)?;
                file.write_all(bytes)?;
                file.as_file().sync_all()?;
                Ok(file)
            };
            write().map_err(|error| failed(folder, &error))
        };
        Ok(Ready {
            name: name_of(picture.kind, &picture.bytes),
            file: written(&self.0, &picture.bytes)?,
            small: match &picture.small {
                Some(bytes) => Some(written(&small_folder, bytes)?),
                None => None,
            },
        })
    }

    /// A photo's bytes, and what they are.
    ///
    /// # Errors
    /// In words, when it is not there or is not as it was written.
    pub fn read(&self, name: &str) -> Result<(Kind, Vec<u8>), String> {
        let kind = kind_of(name).ok_or_else(|| format!("{name} is no photo's name"))?;
        let bytes = match fs::read(self.path(name)) {
            Ok(bytes) => bytes,
            Err(error) if error.kind() == io::ErrorKind::NotFound => {
                return Err(format!("photo {name} is missing"));
            }
            Err(error) => return Err(format!("photo {name}: {error}")),
        };
        match name_of(kind, &bytes) == name {
            true => Ok((kind, bytes)),
            false => Err(format!("photo {name} is not as it was written")),
        }
    }

    /// Its small picture, and what that is: at most [`SMALL_SIDE`] pixels wide and high.
    ///
    /// # Errors
    /// As for [`Photos::read`].
    pub fn read_small(&self, name: &str) -> Result<(Kind, Vec<u8>), String> {
        let (kind, bytes) = self.read(name)?;
        let path = self.small_path(name);
        if let Ok(small) = fs::read(&path) {
            return Ok((Kind::Jpeg, small));
        }
        let cannot = |()| format!("photo {name} cannot be made small");
        let Some(small) = picture::small(kind, &bytes).map_err(cannot)? else {
            return Ok((kind, bytes));
        };
        // It is only there to save work: whatever keeps it from being written does not matter.
        let keep = || {
            let folder = self.0.join(SMALL);
            fs::create_dir_all(&folder)?;
            let mut file = tempfile::Builder::new().prefix(PART).tempfile_in(folder)?;
            file.write_all(&small)?;
            file.persist(&path).map_err(|error| error.error).map(drop)
        };
        drop::<io::Result<()>>(keep());
        Ok((Kind::Jpeg, small))
    }

    /// Bytes of a photo from that place on, at most so many; none after its end. Whoever puts them together looks at the hash.
    ///
    /// # Errors
    /// As for [`Photos::read`].
    pub fn piece(&self, name: &str, from: u64, most: usize) -> Result<Vec<u8>, String> {
        kind_of(name).ok_or_else(|| format!("{name} is no photo's name"))?;
        let read = || {
            let mut file = fs::File::open(self.path(name))?;
            file.seek(io::SeekFrom::Start(from))?;
            let mut piece = Vec::new();
            file.take(most as u64).read_to_end(&mut piece)?;
            Ok(piece)
        };
        read().map_err(|error: io::Error| format!("photo {name}: {error}"))
    }

    /// Writes a photo of another book down under the name that it has there, which its bytes must have too; as [`Photos::ready`].
    ///
    /// # Errors
    /// [`BookError::Refused`] when they have not; else what the system says.
    pub fn ready_copy(&self, name: &str, bytes: Vec<u8>) -> Result<Ready, BookError> {
        let refuse = || BookError::Refused(format!("what came is not photo {name}"));
        let kind = kind_of(name).ok_or_else(refuse)?;
        if name_of(kind, &bytes) != name {
            return Err(refuse());
        }
        // The small one is made when somebody looks.
        let small = None;
        self.ready(&Picture { kind, bytes, small })
    }

    /// Takes away what was never finished, after a crash.
    pub(super) fn clear_unfinished(&self) {
        for folder in [self.0.clone(), self.0.join(SMALL)] {
            for file in fs::read_dir(folder).into_iter().flatten().flatten() {
                if file.file_name().to_string_lossy().starts_with(PART) {
                    // What cannot be removed takes room, and no more.
                    let _ = fs::remove_file(file.path());
                }
            }
        }
    }

    /// The photos that lie there, whoever has them.
    ///
    /// # Errors
    /// What the system says.
    pub(super) fn names(&self) -> io::Result<BTreeSet<String>> {
        let files = match fs::read_dir(&self.0) {
            Ok(files) => files,
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(BTreeSet::new()),
            Err(error) => return Err(error),
        };
        let names = files.map(|file| Ok(file?.file_name().to_string_lossy().into_owned()));
        let names: io::Result<BTreeSet<String>> = names.collect();
        names.map(|names| names.into_iter().filter(|name| is_photo(name)).collect())
    }

    /// Gives a photo its name. One that is there already is replaced by the same, so a damaged one is mended.
    fn place(&self, ready: Ready) -> Result<String, BookError> {
        let Ready { name, file, small } = ready;
        let path = self.path(&name);
        let placed = |file: tempfile::NamedTempFile, path: &Path| {
            file.persist(path)
                .map_err(|error| failed(path, &error.error))
        };
        placed(file, &path)?;
        if let Some(small) = small {
            placed(small, &self.small_path(&name))?;
        }
        store::sync_dir(&self.0);
        Ok(name)
    }

    /// Removes those of these photos that no warm-up has any more. What cannot be removed takes room, and `check` counts it.
    pub(super) fn remove_unused(
        &self,
        conn: &Connection,
        names: &[String],
    ) -> Result<(), BookError> {
        let entries = read::entries(conn)?;
        let used: BTreeSet<&String> = entries.iter().flat_map(|entry| &entry.photos).collect();
        for name in names
            .iter()
            .filter(|name| is_photo(name) && !used.contains(name))
        {
            let _ = fs::remove_file(self.path(name));
            let _ = fs::remove_file(self.small_path(name));
        }
        Ok(())
    }
}

/// Writes a warm-up's list of photos anew.
fn write_list(conn: &Connection, n: i64, photos: &[String]) -> Result<(), BookError> {
    conn.execute(
        "UPDATE warmups SET photos = ?2 WHERE n = ?1",
        params![n, serde_json::json!(photos).to_string()],
    )?;
    Ok(())
}

/// Gives a photo to a warm-up, and to the photo its name. Runs on the book's thread.
pub(super) fn attach(
    conn: &mut Connection,
    photos: &Photos,
    id: &str,
    ready: Ready,
) -> Result<String, BookError> {
    let entry = read::find(conn, id)?;
    let name = ready.name.clone();
    let known = entry.photos.contains(&name);
    if !known && entry.photos.len() >= MAX_PHOTOS {
        return Err(BookError::Refused(format!(
            "warm-up {id} has {MAX_PHOTOS} photos, which is the most"
        )));
    }
    // The file before the row: a photo in the list is there.
    photos.place(ready)?;
    if !known {
        let mut list = entry.photos;
        list.push(name.clone());
        let tx = conn.transaction_with_behavior(TransactionBehavior::Immediate)?;
        write_list(&tx, entry.n, &list)?;
        tx.commit()?;
    }
    Ok(name)
}

/// Gives a photo of another book its name, where a warm-up here still has it. Runs on the book's thread.
pub(super) fn keep_copy(conn: &Connection, photos: &Photos, ready: Ready) -> Result<(), BookError> {
    let entries = read::entries(conn)?;
    if entries
        .iter()
        .any(|entry| entry.photos.contains(&ready.name))
    {
        photos.place(ready)?;
    }
    Ok(())
}

/// Takes a photo from a warm-up, and off the disk where no other has it. Runs on the book's thread.
pub(super) fn detach(
    conn: &mut Connection,
    photos: &Photos,
    id: &str,
    name: &str,
) -> Result<(), BookError> {
    let entry = read::find(conn, id)?;
    let mut list = entry.photos;
    let Some(place) = list.iter().position(|known| known == name) else {
        return Err(BookError::Refused(format!(
            "warm-up {id} has no photo {name}"
        )));
    };
    list.remove(place);
    write_list(conn, entry.n, &list)?;
    photos.remove_unused(conn, &[name.to_owned()])
}

impl Reader {
    /// The photos of this book.
    pub fn photos(&self) -> &Photos {
        &self.photos
    }

    /// The photos that warm-ups have and that do not lie here.
    ///
    /// # Errors
    /// What book or disk say.
    pub fn photos_missing(&self) -> Result<Vec<String>, BookError> {
        let here = self.photos.names();
        let here = here.map_err(|error| failed(&self.photos.0, &error))?;
        let names = self.warmups()?.into_iter().flat_map(|entry| entry.photos);
        let missing: BTreeSet<String> = names
            .filter(|name| is_photo(name) && !here.contains(name))
            .collect();
        Ok(missing.into_iter().collect())
    }

    /// Which of a warm-up's photos are missing or not as they were written, in words.
    ///
    /// # Errors
    /// As for [`Reader::warmup`].
    pub fn photo_damage(&self, id: &str) -> Result<Vec<String>, BookError> {
        let names = self.warmup(id)?.photos.into_iter();
        let kept = names.filter(|name| is_photo(name));
        Ok(kept
            .filter_map(|name| self.photos.read(&name).err())
            .collect())
    }
}
