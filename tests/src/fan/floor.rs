//! The floor: a process that does nothing but write each message, framed before it came, to every client, once each. Nothing that
//! sends one message to many sockets by the same system calls can cost less.

use anyhow::{Context, Result};
use std::{
    io::{ErrorKind, Read, Write},
    net::{TcpListener, TcpStream},
    sync::{Arc, Mutex},
};

/// Serves for good: clients come in by one port, and the source by another; each message of it has its length before it, in four
/// bytes. Both ports are printed on one line.
///
/// # Errors
/// When a port cannot be had, or the source says nothing that can be understood.
pub fn serve() -> Result<()> {
    let (clients_in, source_in) = (
        TcpListener::bind("127.0.0.1:0")?,
        TcpListener::bind("127.0.0.1:0")?,
    );
    println!(
        "floor {} {}",
        clients_in.local_addr()?,
        source_in.local_addr()?
    );
    let clients = Arc::new(Mutex::new(Vec::new()));
    std::thread::spawn({
        let clients = clients.clone();
        move || {
            for client in clients_in.incoming() {
                let shaken = client.map_err(anyhow::Error::from).and_then(shake);
                if let (Ok(client), Ok(mut clients)) = (shaken, clients.lock()) {
                    clients.push(client);
                }
            }
        }
    });
    let (mut source, _) = source_in.accept()?;
    let (mut length, mut message) = ([0; 4], Vec::new());
    loop {
        match source.read_exact(&mut length) {
            Ok(()) => {}
            Err(error) if error.kind() == ErrorKind::UnexpectedEof => return Ok(()),
            Err(error) => return Err(error.into()),
        }
        message.resize(u32::from_be_bytes(length) as usize, 0);
        source.read_exact(&mut message)?;
        let mut clients = clients.lock().map_err(|_| anyhow::anyhow!("broken"))?;
        for client in clients.iter_mut() {
            // What a client has no room for is lost, as in any latest-only stream; a piece of one would end its stream.
            let _ = client.write(&message);
        }
    }
}

fn shake(mut client: TcpStream) -> Result<TcpStream> {
    client.set_nodelay(true)?;
    let mut head = Vec::new();
    let mut chunk = [0; 1024];
    while !head.ends_with(b"\r\n\r\n") {
        let count = client.read(&mut chunk).context("no handshake")?;
        anyhow::ensure!(count > 0, "closed before its handshake");
        head.extend_from_slice(&chunk[..count]);
    }
    client.write_all(b"HTTP/1.1 101 Switching Protocols\r\n\r\n")?;
    client.set_nonblocking(true)?;
    Ok(client)
}
