//! What comes from a thread that reads.

use rumqttc::{Client, Publish};

/// What a thread has to say.
pub enum Message {
    /// Bytes that came.
    Bytes(Vec<u8>),
    /// The bytes that come next are of another connection.
    Broken,
    /// A broker that is connected now: acknowledgements go there.
    Broker(Client),
    /// What came from it.
    Published(Publish),
    /// For people.
    Note(String),
    /// Nothing comes any more.
    Ended,
}
