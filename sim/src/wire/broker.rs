//! What relay and listener have in common about a broker.

use rumqttc::{ConnectionError, Error, StateError};

/// What a sensor's state topic says when its relay has gone.
pub(crate) const GONE: &str = "gone";

/// Bytes that a publication may have: a line has a hundred, but whatever somebody else publishes below the topic has to be taken to get past it.
pub(crate) const LARGEST: usize = 16 << 20;

/// What a user can do something with.
pub(crate) fn plainly(error: &ConnectionError) -> String {
    match error {
        ConnectionError::Io(e) => e.to_string(),
        ConnectionError::ConnectionRefused(code) => format!("the broker refuses: {code:?}"),
        ConnectionError::MqttState(StateError::Io(e) | StateError::Deserialization(Error::Io(e))) => {
            e.to_string()
        }
        ConnectionError::MqttState(StateError::Deserialization(Error::PayloadSizeLimitExceeded(size))) => {
            format!("{size} bytes are published below the topic, {LARGEST} are the most: take that away")
        }
        other => other.to_string(),
    }
}
