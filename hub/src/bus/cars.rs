//! How the team's cars are: each hub says so twice a second, and hears what the others say. Nobody keeps it; who is silent grows old.

use super::{STREAM, State, said, token};
use async_nats::{Client, Subscriber};
use futures_util::StreamExt;
use spinover_protocol::{
    hubs::{Hubs, Standing},
    team::CarNow,
};
use std::time::Instant;
use tokio::sync::watch;

/// Cars that are remembered. No team has more; a bus that others can reach may bring anything.
const CARS_MOST: usize = 16;
/// Largest thing that a car may say: four strips and two calls are a tenth of it.
const SAYS_MOST: usize = 16 * 1024;

/// What a car said, and when.
#[derive(Clone, Debug)]
pub struct Heard {
    /// What.
    pub car: CarNow,
    /// When.
    pub at: Instant,
}

/// What comes from the others.
pub struct Cars {
    coming: Subscriber,
    state: watch::Sender<State>,
}

fn subject(car: &str) -> String {
    format!("{STREAM}.now.{}", token(car))
}

impl Cars {
    pub async fn subscribe(client: &Client, state: watch::Sender<State>) -> anyhow::Result<Self> {
        let coming = client.subscribe(format!("{STREAM}.now.*")).await;
        Ok(Self {
            coming: coming.map_err(said)?,
            state,
        })
    }

    /// Says and hears for as long as the hub runs and the bus is there.
    pub async fn run(
        mut self,
        client: &Client,
        hubs: watch::Receiver<Hubs>,
        mut now: watch::Receiver<Option<CarNow>>,
    ) -> anyhow::Result<()> {
        loop {
            tokio::select! {
                changed = now.changed() => {
                    if changed.is_err() {
                        return Ok(());
                    }
                    let car = now.borrow_and_update().clone();
                    let in_charge = hubs.borrow().standing == Standing::InCharge;
                    if let Some(car) = car.filter(|_| in_charge) {
                        let said_now = serde_json::to_vec(&car)?;
                        client.publish(subject(&car.name), said_now.into()).await.map_err(said)?;
                    }
                }
                message = self.coming.next() => match message {
                    Some(message) => self.hear(&message.subject, &message.payload),
                    None => anyhow::bail!("the connection has ended"),
                },
            }
        }
    }

    fn hear(&self, subject: &str, payload: &[u8]) {
        if payload.len() > SAYS_MOST {
            return;
        }
        // What is no car's word, or of another version than this, is passed over.
        let Ok(car) = serde_json::from_slice::<CarNow>(payload) else {
            return;
        };
        let at = Instant::now();
        self.state.send_modify(|state| {
            if state.cars.len() < CARS_MOST || state.cars.contains_key(subject) {
                state.cars.insert(subject.to_owned(), Heard { car, at });
            }
        });
    }
}
