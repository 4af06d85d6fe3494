//! Plain HTTP to the hub: one request, one answer, nothing kept open.

use crate::DEADLINE;
use anyhow::{Context, Result, bail};
use tokio::{
    io::{AsyncReadExt, AsyncWriteExt},
    net::TcpStream,
    time::timeout,
};

/// An answer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Answer {
    /// The status code.
    pub status: u16,
    /// Header lines, names in lower case.
    pub headers: Vec<(String, String)>,
    /// The body.
    pub body: Vec<u8>,
}

impl Answer {
    /// The body as text.
    pub fn text(&self) -> String {
        String::from_utf8_lossy(&self.body).into_owned()
    }

    /// The first header of that name, which is given in lower case.
    pub fn header(&self, name: &str) -> Option<&str> {
        self.headers
            .iter()
            .find(|(known, _)| known == name)
            .map(|(_, value)| value.as_str())
    }
}

/// `GET`, with a code where one is given.
///
/// # Errors
/// When the hub does not answer.
pub async fn get(address: &str, path: &str, code: Option<&str>) -> Result<Answer> {
    request(address, "GET", path, code, b"").await
}

/// `POST`, with a code where one is given.
///
/// # Errors
/// When the hub does not answer.
pub async fn post(address: &str, path: &str, code: Option<&str>, body: &[u8]) -> Result<Answer> {
    request(address, "POST", path, code, body).await
}

/// `PATCH` with JSON, with a code where one is given.
///
/// # Errors
/// When the hub does not answer.
pub async fn patch(address: &str, path: &str, code: Option<&str>, body: &[u8]) -> Result<Answer> {
    request(address, "PATCH", path, code, body).await
}

/// Any method, with a code where one is given.
///
/// # Errors
/// When the hub does not answer.
pub async fn request(
    address: &str,
    method: &str,
    path: &str,
    code: Option<&str>,
    body: &[u8],
) -> Result<Answer> {
    let bearer = code
        .map(|code| format!("Authorization: Bearer {code}\r\n"))
        .unwrap_or_default();
    let kind = match method {
        "PATCH" => "Content-Type: application/json\r\n",
        _ => "",
    };
    let length = body.len();
    let head = format!(
        "{method} {path} HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\nContent-Length: {length}\r\n{kind}{bearer}\r\n"
    );
    let exchange = async {
        let mut stream = TcpStream::connect(address).await?;
        stream.write_all(head.as_bytes()).await?;
        stream.write_all(body).await?;
        let mut answer = Vec::new();
        stream.read_to_end(&mut answer).await?;
        Ok::<_, std::io::Error>(answer)
    };
    parse(
        &timeout(DEADLINE, exchange)
            .await
            .context("no answer in time")??,
    )
}

/// Sends bytes as they are, and returns the answer; nothing where the hub closed without one.
///
/// # Errors
/// When the hub neither answers nor closes in time, or its answer is none.
pub async fn send(address: &str, bytes: &[u8]) -> Result<Option<Answer>> {
    let exchange = async {
        let mut stream = TcpStream::connect(address).await?;
        // The hub may answer and close before it has been sent everything.
        let _ = stream.write_all(bytes).await;
        let mut answer = Vec::new();
        let _ = stream.read_to_end(&mut answer).await;
        Ok::<_, std::io::Error>(answer)
    };
    let answer = timeout(DEADLINE, exchange)
        .await
        .context("no answer in time")??;
    (!answer.is_empty()).then(|| parse(&answer)).transpose()
}

/// Reads an answer.
///
/// # Errors
/// When it is none.
pub fn parse(answer: &[u8]) -> Result<Answer> {
    let end = answer
        .windows(4)
        .position(|four| four == b"\r\n\r\n")
        .context("an answer without a head")?;
    let head = std::str::from_utf8(&answer[..end])?;
    let mut lines = head.split("\r\n");
    let status = lines
        .next()
        .and_then(|line| line.split(' ').nth(1))
        .context("no status")?
        .parse()?;
    let headers: Vec<(String, String)> = lines
        .filter_map(|line| line.split_once(':'))
        .map(|(name, value)| (name.to_ascii_lowercase(), value.trim().to_owned()))
        .collect();
    let mut body = answer[end + 4..].to_vec();
    if headers
        .iter()
        .any(|(name, value)| name == "transfer-encoding" && value == "chunked")
    {
        body = unchunked(&body)?;
    }
    Ok(Answer {
        status,
        headers,
        body,
    })
}

fn unchunked(mut rest: &[u8]) -> Result<Vec<u8>> {
    let mut whole = Vec::new();
    loop {
        let end = rest
            .windows(2)
            .position(|two| two == b"\r\n")
            .context("a chunk without a length")?;
        let length = usize::from_str_radix(std::str::from_utf8(&rest[..end])?.trim(), 16)?;
        if length == 0 {
            return Ok(whole);
        }
        let Some(chunk) = rest.get(end + 2..end + 2 + length) else {
            bail!("a chunk is cut short")
        };
        whole.extend_from_slice(chunk);
        rest = rest.get(end + 4 + length..).unwrap_or_default();
    }
}
