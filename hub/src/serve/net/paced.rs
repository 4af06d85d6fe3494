//! A request's body that must keep coming: whoever drips it in holds a connection, and so nobody else's, for a while only.

use axum::{
    body::{Body, Bytes},
    extract::Request,
};
use http_body::{Body as HttpBody, Frame, SizeHint};
use std::{
    pin::Pin,
    task::{Context, Poll},
    time::Duration,
};
use tokio::time::{Instant, Sleep, sleep_until};

/// How long a body may take whatever its size.
const GRACE: Duration = Duration::from_secs(10);
/// How fast it must come beyond that, in bytes a second: a tenth of the worst phone link.
const PACE: f64 = 1_024.0;

/// Holds the request's body to its pace.
pub fn pace(request: Request) -> Request {
    request.map(|body| {
        if body.is_end_stream() {
            return body;
        }
        let begun = Instant::now();
        Body::new(Paced {
            body,
            begun,
            taken: 0,
            late: Box::pin(sleep_until(begun + GRACE)),
        })
    })
}

struct Paced {
    body: Body,
    begun: Instant,
    taken: usize,
    late: Pin<Box<Sleep>>,
}

/// It came too slowly.
#[derive(Debug, thiserror::Error)]
#[error("the request came too slowly")]
struct TooSlow;

impl HttpBody for Paced {
    type Data = Bytes;
    type Error = axum::Error;

    fn poll_frame(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
    ) -> Poll<Option<Result<Frame<Bytes>, axum::Error>>> {
        match Pin::new(&mut self.body).poll_frame(cx) {
            Poll::Ready(Some(Ok(frame))) => {
                self.taken += frame.data_ref().map_or(0, Bytes::len);
                let more = Duration::from_secs_f64(self.taken as f64 / PACE);
                let due = self.begun + GRACE + more;
                self.late.as_mut().reset(due);
                Poll::Ready(Some(Ok(frame)))
            }
            Poll::Pending => match self.late.as_mut().poll(cx) {
                Poll::Ready(()) => Poll::Ready(Some(Err(axum::Error::new(TooSlow)))),
                Poll::Pending => Poll::Pending,
            },
            done => done,
        }
    }

    fn is_end_stream(&self) -> bool {
        self.body.is_end_stream()
    }

    fn size_hint(&self) -> SizeHint {
        self.body.size_hint()
    }
}
