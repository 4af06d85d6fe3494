//! What a standby writes down of what it hears: events, rows of readings, remarks, photos.

use super::Running;
use crate::book::Edit;
use anyhow::{Context, bail};
use spinover_protocol::{
    book::{Listed, MAX_PHOTO},
    event::{Event, EventBody},
    hubs::{PeerMessage, RowText},
};
use std::collections::{BTreeMap, BTreeSet, VecDeque};

impl Running {
    /// Events are on the disk here before anyone is shown them, and before the hub in charge is told that they are.
    pub(super) async fn events(&mut self, mut events: Vec<Event>) -> anyhow::Result<()> {
        let have = self.task.log.last();
        events.retain(|event| event.seq > have);
        let (Some(first), Some(last)) = (events.first(), events.last()) else {
            return Ok(());
        };
        self.last = self.last.max(last.seq);
        if first.seq != have + 1 {
            // Something was missed; the cure is to say again how far we are.
            self.out = None;
            return Ok(());
        }
        let last = last.seq;
        self.task
            .book
            .append(events.clone())
            .await
            .context("the book's writer has gone")??;
        for event in &events {
            if let EventBody::TookOver { charge, .. } = &event.body {
                self.task.place.follow(charge);
            }
        }
        self.task.log.add(&events);
        self.caught_up |= last == self.last;
        if let Some(out) = &self.out {
            let _ = out.send(PeerMessage::Have { seq: last }).await;
        }
        Ok(())
    }

    pub(super) async fn take_rows(
        &mut self,
        warmup: String,
        first: u64,
        mut rows: Vec<RowText>,
    ) -> anyhow::Result<()> {
        let next = self.rows.entry(warmup.clone()).or_insert(0);
        if first > *next {
            tracing::warn!("readings of {warmup} were missed; asking for them again");
            self.out = None;
            return Ok(());
        }
        rows.drain(..((*next - first) as usize).min(rows.len()));
        *next += rows.len() as u64;
        for (time, cells) in rows {
            let reading = |(channel, value): (u16, f64)| (usize::from(channel), time, value);
            self.task
                .book
                .readings(&warmup, cells.into_iter().map(reading).collect());
        }
        // Not faster than the disk here: what would be dropped would be missing for good.
        self.task
            .book
            .flush()
            .await
            .context("the book's writer has gone")??;
        Ok(())
    }

    /// What people have said of warm-ups, where it differs here.
    pub(super) async fn remarks(&mut self, told: Vec<Listed>) -> anyhow::Result<()> {
        let book = self.task.book.clone();
        let own = tokio::task::spawn_blocking(move || book.reader()?.warmups()).await??;
        let own: BTreeMap<String, Listed> = own
            .iter()
            .map(|entry| (entry.id.clone(), entry.listed()))
            .collect();
        for listed in told {
            let Some(known) = own.get(&listed.id).filter(|known| **known != listed) else {
                continue;
            };
            let (known_deleted, id) = (known.deleted_at, listed.id.clone());
            let edit = Edit {
                source: Some(listed.source),
                place: Some(listed.place),
                weather: Some(listed.weather),
                driver: Some(listed.driver),
                note: Some(listed.note),
                tags: Some(listed.tags),
                photos: Some(listed.photos),
            };
            let mut done = vec![self.task.book.edit(&id, edit)];
            if known_deleted != listed.deleted_at {
                let by = listed.deleted_by.unwrap_or_default();
                done.push(match listed.deleted_at {
                    Some(at) => self.task.book.delete(&id, &by, at),
                    None => self.task.book.restore(&id),
                });
            }
            for done in done {
                if let Err(error) = done.await.context("the book's writer has gone")? {
                    bail!("remarks could not be written down: {error}");
                }
            }
        }
        self.want_photos().await
    }

    /// Asks for the photos that warm-ups have and that are not here.
    async fn want_photos(&mut self) -> anyhow::Result<()> {
        let book = self.task.book.clone();
        let missing =
            tokio::task::spawn_blocking(move || book.reader()?.photos_missing()).await??;
        self.photos.wanted(missing);
        self.ask_on();
        Ok(())
    }

    fn ask_on(&mut self) {
        let Some(out) = &self.out else {
            return;
        };
        if let Some(message) = self.photos.next() {
            // With no room in the line it is down in a moment, and begun anew.
            let _ = out.try_send(message);
        }
    }

    /// A piece of the photo that comes; the empty one is its end.
    pub(super) async fn photo_piece(&mut self, piece: Vec<u8>) -> anyhow::Result<()> {
        if let Some((name, bytes)) = self.photos.piece(piece) {
            let book = self.task.book.clone();
            let ready = tokio::task::spawn_blocking(move || book.copy_photo(&name, bytes)).await?;
            let kept = match ready {
                Ok(kept) => kept.await.context("the book's writer has gone")?,
                Err(error) => Err(error),
            };
            // A photo that does not come must not keep events from being followed.
            if let Err(error) = kept {
                tracing::warn!("a photo was not copied: {error}");
            }
        }
        self.ask_on();
        Ok(())
    }
}

/// The photos that come, one after the other, in pieces.
#[derive(Default)]
pub(super) struct Photos {
    waiting: VecDeque<String>,
    /// Asked for on this connection already: one that the hub in charge has not is not asked for again and again.
    asked: BTreeSet<String>,
    /// What has come of the first.
    coming: Option<(String, Vec<u8>)>,
    /// A piece is on its way.
    on_its_way: bool,
}

impl Photos {
    fn wanted(&mut self, names: Vec<String>) {
        for name in names {
            if self.asked.insert(name.clone()) {
                self.waiting.push_back(name);
            }
        }
    }

    /// What to ask for now, if anything.
    fn next(&mut self) -> Option<PeerMessage> {
        if self.on_its_way {
            return None;
        }
        if self.coming.is_none() {
            self.coming = Some((self.waiting.pop_front()?, Vec::new()));
        }
        let (name, bytes) = self.coming.as_ref()?;
        self.on_its_way = true;
        Some(PeerMessage::WantPhoto {
            name: name.clone(),
            from: bytes.len() as u64,
        })
    }

    /// A piece has come; the photo, when it was the last.
    fn piece(&mut self, piece: Vec<u8>) -> Option<(String, Vec<u8>)> {
        self.on_its_way = false;
        let (_, bytes) = self.coming.as_mut()?;
        bytes.extend_from_slice(&piece);
        let done = piece.is_empty() || bytes.len() > MAX_PHOTO;
        if done { self.coming.take() } else { None }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn photos_come_one_by_one_in_pieces_and_are_asked_for_once() {
        let mut photos = Photos::default();
        let asks = |photos: &mut Photos| match photos.next() {
            Some(PeerMessage::WantPhoto { name, from }) => Some((name, from)),
            _ => None,
        };
        photos.wanted(vec!["a".to_owned(), "b".to_owned()]);
        assert_eq!(asks(&mut photos), Some(("a".to_owned(), 0)));
        assert_eq!(asks(&mut photos), None, "a piece is on its way");
        assert_eq!(photos.piece(vec![1, 2]), None);
        assert_eq!(asks(&mut photos), Some(("a".to_owned(), 2)));
        assert_eq!(photos.piece(vec![]), Some(("a".to_owned(), vec![1, 2])));
        photos.wanted(vec!["a".to_owned(), "b".to_owned()]);
        assert_eq!(asks(&mut photos), Some(("b".to_owned(), 0)));
        assert_eq!(photos.piece(vec![]), Some(("b".to_owned(), vec![])));
        assert_eq!(asks(&mut photos), None);
    }
}
