//! A far end that can be killed and started again, and keeps books.

use std::collections::BTreeMap;
use std::io::{Read, Write};
use std::net::{Shutdown, TcpListener, TcpStream};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::Duration;

use humtick::link::{Arrival, Decoder, Refused, Text};
use humtick_sim::wire::arrivals::Arrivals;
use humtick_sim::wire::greeting::{Name, receipt};

use super::port::Port;

/// What has come of one sensor, over all connections.
#[derive(Clone, Debug, Default)]
pub struct Book {
    arrivals: Arrivals,
    /// Sequence numbers, each once, in the order they came.
    pub kept: Vec<u16>,
    /// Lines that came again.
    pub again: u32,
    /// Lines missing between two that came.
    pub missing: u32,
    pub refused: u32,
}

impl Book {
    fn take(&mut self, result: Result<humtick::link::Record, Refused>) {
        let Ok(record) = result else {
            self.refused += 1;
            return;
        };
        match self.arrivals.take(&record) {
            Arrival::Again | Arrival::Late => self.again += 1,
            Arrival::After(missing) => {
                self.missing += u32::from(missing);
                self.kept.push(record.sequence);
            }
            Arrival::Next | Arrival::Restarted => self.kept.push(record.sequence),
        }
    }
}

/// By the name the sensor said, or none.
pub type Books = Arc<Mutex<BTreeMap<String, Book>>>;

pub struct FarEnd {
    /// Where it is, also while it is not.
    port: Port,
    pub books: Books,
    /// Whether it sends receipts.
    receipts: bool,
    running: Option<(Arc<AtomicBool>, JoinHandle<()>)>,
}

impl FarEnd {
    pub fn new(receipts: bool) -> Self {
        let mut far_end = Self { port: Port::new(), books: Books::default(), receipts, running: None };
        far_end.start();
        far_end
    }

    pub fn to(&self) -> String {
        format!("tcp://{}", self.port.at())
    }

    /// Takes connections, at the same place as before.
    pub fn start(&mut self) {
        let at = self.port.at();
        let listener = super::until(|| TcpListener::bind(at).ok(), Option::is_some).unwrap();
        listener.set_nonblocking(true).unwrap();
        let stop = Arc::new(AtomicBool::new(false));
        let (books, receipts, stopped) = (Arc::clone(&self.books), self.receipts, Arc::clone(&stop));
        let thread = std::thread::spawn(move || {
            let mut readers = Vec::new();
            while !stopped.load(Ordering::Relaxed) {
                if let Ok((stream, _)) = listener.accept() {
                    stream.set_nonblocking(false).unwrap();
                    let (handle, books) = (stream.try_clone().unwrap(), Arc::clone(&books));
                    readers.push((handle, std::thread::spawn(move || read(stream, &books, receipts))));
                } else {
                    std::thread::sleep(Duration::from_millis(2));
                }
            }
            for (stream, thread) in readers {
                let _ = stream.shutdown(Shutdown::Both);
                thread.join().unwrap();
            }
        });
        self.running = Some((stop, thread));
    }

    /// Stops in the middle of things: connections break, nobody listens.
    pub fn kill(&mut self) {
        if let Some((stop, thread)) = self.running.take() {
            stop.store(true, Ordering::Relaxed);
            thread.join().unwrap();
        }
    }

    pub fn book(&self, name: &str) -> Book {
        self.books.lock().unwrap().get(name).cloned().unwrap_or_default()
    }

    pub fn kept(&self, name: &str) -> usize {
        self.book(name).kept.len()
    }
}

impl Drop for FarEnd {
    fn drop(&mut self) {
        self.kill();
    }
}

/// Reads until the connection is over, and counts a line as kept when it is in the book.
fn read(mut stream: TcpStream, books: &Books, receipts: bool) {
    let (mut decoder, mut name, mut lines, mut is_first) = (Decoder::<Text>::new(), String::new(), 0, true);
    let mut bytes = [0; 1_000];
    while let Ok(len @ 1..) = stream.read(&mut bytes) {
        let mut books = books.lock().unwrap();
        decoder.pass(&bytes[..len], |line, result| {
            if let Some(Ok(said)) = Name::in_line(line).filter(|_| std::mem::take(&mut is_first)) {
                name = said.to_string();
            } else {
                is_first = false;
                lines += 1;
                books.entry(name.clone()).or_default().take(result);
            }
        });
        drop(books);
        if receipts && stream.write_all(receipt(lines).as_bytes()).is_err() {
            return;
        }
    }
}
