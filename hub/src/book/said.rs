//! What the figures said, as phones were shown it: kept rather than worked out again, so that a later program, or a book that has learned
//! more since, cannot change what the crew had before its eyes.

use super::{BookError, Reader, commit::text, read, store};
use rusqlite::{Connection, Row, params};
use spinover_protocol::{Millis, book::Said, message::FigureNow};

/// All of it is written down this often, in milliseconds, so that any point is found by reading a minute.
const WHOLE_EVERY_MS: Millis = 60_000;
/// Most points that are given at once.
const MOST: i64 = 1_200;

/// What a warm-up's figures said last, and when all of it was last written down.
#[derive(Debug, Default)]
pub(super) struct Last {
    whole_at: Option<Millis>,
    figures: Vec<FigureNow>,
}

impl Last {
    /// What must be written down of what they say now; none when it is what they said before.
    pub(super) fn next(&mut self, at: Millis, mut now: Vec<FigureNow>) -> Option<Said> {
        for figure in &mut now {
            figure.forecast = None;
        }
        let due = self
            .whole_at
            .is_none_or(|whole_at| at - whole_at >= WHOLE_EVERY_MS);
        let said = Said::since(&self.figures, at, &now);
        let said = match due && !now.is_empty() {
            true => Some(Said {
                at,
                whole: true,
                figures: now.clone(),
                gone: Vec::new(),
            }),
            false => said,
        };
        if said.as_ref().is_some_and(|said| said.whole) {
            self.whole_at = Some(at);
        }
        self.figures = now;
        said
    }
}

/// Writes one down.
pub(super) fn insert(conn: &Connection, n: i64, said: &Said) -> Result<(), BookError> {
    let json = text(said)?;
    let sum = store::sum(&[json.as_bytes()]);
    conn.prepare_cached("INSERT INTO said (warmup, at, whole, json, sum) VALUES (?1,?2,?3,?4,?5)")?
        .execute(params![n, said.at, said.whole, json, sum])?;
    Ok(())
}

/// A row of `json` and `sum`.
pub(super) fn said(row: &Row) -> Result<Said, BookError> {
    let (json, sum): (String, i64) = (row.get(0)?, row.get(1)?);
    if store::sum(&[json.as_bytes()]) != sum {
        return Err(BookError::Unreadable(
            "what the figures said is not as it was written".to_owned(),
        ));
    }
    serde_json::from_str(&json).map_err(|error| BookError::Unreadable(error.to_string()))
}

impl Reader {
    /// Calls `each` with everything that a warm-up's figures said, in order, as it was written down. The answer names what could not
    /// be read and was left out.
    ///
    /// # Errors
    /// As for [`Reader::warmup`], and what `each` returns.
    pub fn each_said<E: From<BookError>>(
        &self,
        id: &str,
        mut each: impl FnMut(Said) -> Result<(), E>,
    ) -> Result<Vec<String>, E> {
        let n = self.warmup(id)?.n;
        let mut lost = 0;
        let sql = |error: rusqlite::Error| E::from(BookError::from(error));
        let mut query = self
            .conn
            .prepare_cached("SELECT json, sum FROM said WHERE warmup = ?1 ORDER BY n")
            .map_err(sql)?;
        let mut rows = query.query([n]).map_err(sql)?;
        while let Some(row) = rows.next().map_err(sql)? {
            match said(row) {
                Ok(said) => each(said)?,
                Err(_) => lost += 1,
            }
        }
        Ok((lost > 0)
            .then(|| format!("what the figures said, at {lost} times"))
            .into_iter()
            .collect())
    }

    /// When a warm-up's figures first spoke; none when nothing that they said is in the book.
    ///
    /// # Errors
    /// As for [`Reader::warmup`].
    pub fn figures_from(&self, id: &str) -> Result<Option<Millis>, BookError> {
        let n = self.warmup(id)?.n;
        let mut first = self
            .conn
            .prepare_cached("SELECT min(at) FROM said WHERE warmup = ?1")?;
        Ok(first.query_row([n], |row| row.get(0))?)
    }

    /// What a warm-up's figures said at `from` and every `step` milliseconds up to `to`: each time all of them, with the time at which
    /// they last said something new. Nothing for a time before they first spoke.
    ///
    /// # Errors
    /// As for [`Reader::warmup`]; [`BookError::Refused`] when that is too many.
    pub fn figures(
        &self,
        id: &str,
        from: Millis,
        to: Millis,
        step: Millis,
    ) -> Result<Vec<Said>, BookError> {
        let n = read::find(&self.conn, id)?.n;
        let span = to.checked_sub(from).filter(|span| *span >= 0);
        if step < 1 || span.is_none_or(|span| span / step >= MOST) {
            return Err(BookError::Refused(format!(
                "at most {MOST} points are given at once"
            )));
        }
        let whole = "SELECT max(at) FROM said WHERE warmup = ?1 AND whole = 1 AND at <= ?2";
        let mut whole = self.conn.prepare_cached(whole)?;
        let begin: Option<Millis> = whole.query_row([n, from], |row| row.get(0))?;
        let mut query = self.conn.prepare_cached(
            "SELECT json, sum FROM said WHERE warmup = ?1 AND at >= ?2 AND at <= ?3 ORDER BY n",
        )?;
        let mut rows = query.query([n, begin.unwrap_or(from), to])?;
        let mut given = Vec::new();
        let mut now = Said::default();
        // Behind a row that is damaged nothing is known until the next that has all.
        let mut known = false;
        let mut at = from;
        loop {
            let next = rows.next()?.map(said);
            let due = match &next {
                Some(Ok(said)) => said.at,
                Some(Err(_)) => at,
                None => Millis::MAX,
            };
            while at <= to && at < due {
                if known {
                    given.push(now.clone());
                }
                at += step;
            }
            match next {
                None => return Ok(given),
                Some(Err(_)) => known = false,
                Some(Ok(said)) => {
                    known |= said.whole;
                    now.at = said.at;
                    now.whole = true;
                    said.after(&mut now.figures);
                }
            }
        }
    }
}
