//! Server-sent events, as bytes arrive (WHATWG HTML, 9.2.6). Pure.
//!
//! Called by: client.

/// The longest event that is accepted: far above the longest journal line.
pub const EVENT_BYTES_AT_MOST: usize = 4 << 20;

/// One event.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ServerEvent {
    /// Its name.
    pub name: String,
    /// Its number.
    pub id: Option<String>,
    /// Its data.
    pub data: String,
}

/// Takes bytes, gives events.
#[derive(Debug, Default)]
pub struct EventReader {
    line: Vec<u8>,
    event: ServerEvent,
    has_data: bool,
}

/// The server sent an event that is longer than any of ours.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("an event is longer than {EVENT_BYTES_AT_MOST} bytes")]
pub struct TooLong;

impl EventReader {
    /// Takes a piece of the stream; gives the events that it completes.
    ///
    /// # Errors
    /// When an event grows beyond [`EVENT_BYTES_AT_MOST`].
    pub fn take(&mut self, bytes: &[u8]) -> Result<Vec<ServerEvent>, TooLong> {
        let mut done = Vec::new();
        for byte in bytes {
            if *byte != b'\n' {
                self.line.push(*byte);
                if self.line.len() + self.event.data.len() > EVENT_BYTES_AT_MOST {
                    return Err(TooLong);
                }
                continue;
            }
            let line = std::mem::take(&mut self.line);
            let line = String::from_utf8_lossy(&line);
            done.extend(self.line_done(line.trim_end_matches('\r')));
        }
        Ok(done)
    }

    fn line_done(&mut self, line: &str) -> Option<ServerEvent> {
        if line.is_empty() {
            let event = std::mem::take(&mut self.event);
            return std::mem::take(&mut self.has_data).then_some(event);
        }
        let (field, value) = line.split_once(':').unwrap_or((line, ""));
        let value = value.strip_prefix(' ').unwrap_or(value);
        match field {
            "event" => self.event.name = value.to_owned(),
            "id" => self.event.id = Some(value.to_owned()),
            "data" => {
                if self.has_data {
                    self.event.data.push('\n');
                }
                self.event.data.push_str(value);
                self.has_data = true;
            }
            _ => {}
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const STREAM: &str = "\
: hello\n\
event: journal\nid: 7\ndata: {\"a\":1}\n\n\
event: progress\r\ndata: one\r\ndata: two\r\n\r\n\
event: nothing\n\n";

    fn event(name: &str, id: Option<&str>, data: &str) -> ServerEvent {
        ServerEvent {
            name: name.to_owned(),
            id: id.map(str::to_owned),
            data: data.to_owned(),
        }
    }

    proptest! {
        /// However the stream is cut, the events are the same; an event
        /// without data is none.
        #[test]
        fn cuts_do_not_matter(cut in 1..STREAM.len()) {
            let mut reader = EventReader::default();
            let mut events = Vec::new();
            for piece in STREAM.as_bytes().chunks(cut) {
                events.extend(reader.take(piece)?);
            }
            prop_assert_eq!(
                events,
                vec![
                    event("journal", Some("7"), "{\"a\":1}"),
                    event("progress", None, "one\ntwo"),
                ]
            );
        }

        #[test]
        fn no_bytes_panic(bytes in proptest::collection::vec(any::<u8>(), 0..300)) {
            let _ = EventReader::default().take(&bytes);
        }
    }

    #[test]
    fn an_endless_event_is_refused() {
        let mut reader = EventReader::default();
        assert_eq!(reader.take(&vec![b'x'; EVENT_BYTES_AT_MOST]), Ok(vec![]));
        assert_eq!(reader.take(b"x"), Err(TooLong));
    }
}
