//! Speaks HTTP with the daemon over its Unix socket: one connection per
//! request, JSON both ways.
//!
//! Called by: the commands. Not here: what is asked and how it is shown.

use std::path::{Path, PathBuf};

use http_body_util::{BodyExt, Full, Limited};
use hyper::body::{Bytes, Incoming};
use hyper::{Method, Request, Response, header};
use hyper_util::rt::TokioIo;
use serde::Serialize;
use serde::de::DeserializeOwned;
use tokio::net::UnixStream;

use super::arguments::RunName;
use super::complaint::Complaint;
use super::sse::{EventReader, ServerEvent};
use crate::web::wire::{Health, Problem, Run, problems};

/// The longest answer that is read into memory: some 100 000 raw readings.
const ANSWER_BYTES_AT_MOST: usize = 64 << 20;

/// A daemon's address.
#[derive(Clone, Debug)]
pub struct Client {
    socket: PathBuf,
}

impl Client {
    /// For the daemon behind a socket; does not connect yet.
    pub fn new(socket: &Path) -> Client {
        Client {
            socket: socket.to_owned(),
        }
    }

    /// Asks for something.
    ///
    /// # Errors
    /// No daemon, a refusal, or an answer that is not understood.
    pub async fn get<A: DeserializeOwned>(&self, path: &str) -> Result<A, Complaint> {
        let request = Request::builder().method(Method::GET).uri(path);
        understood(self.send(request, Bytes::new()).await?).await
    }

    /// Sends something; `key` makes a repetition harmless.
    ///
    /// # Errors
    /// As [`Client::get`].
    pub async fn post<Q: Serialize + Sync, A: DeserializeOwned>(
        &self,
        path: &str,
        body: &Q,
        key: Option<&str>,
    ) -> Result<A, Complaint> {
        let body = serde_json::to_vec(body).map_err(|error| Complaint::Answer {
            reason: format!("the request cannot be written as JSON: {error}"),
        })?;
        let mut request = Request::builder()
            .method(Method::POST)
            .uri(path)
            .header(header::CONTENT_TYPE, "application/json");
        if let Some(key) = key {
            request = request.header("idempotency-key", key);
        }
        understood(self.send(request, Bytes::from(body)).await?).await
    }

    /// Follows a stream of events.
    ///
    /// # Errors
    /// As [`Client::get`].
    pub async fn events(&self, path: &str) -> Result<Events, Complaint> {
        let request = Request::builder()
            .method(Method::GET)
            .uri(path)
            .header(header::ACCEPT, "text/event-stream");
        let response = self.send(request, Bytes::new()).await?;
        if !response.status().is_success() {
            return Err(refused(response).await);
        }
        Ok(Events {
            body: response.into_body(),
            reader: EventReader::default(),
            ready: std::collections::VecDeque::new(),
        })
    }

    /// The number behind a run's name.
    ///
    /// # Errors
    /// As [`Client::get`]; also when nothing was booked yet.
    pub async fn number(&self, run: RunName) -> Result<i64, Complaint> {
        match run {
            RunName::Number(number) => Ok(number),
            RunName::Latest => {
                let run: Run = self.get("/runs/latest/row").await?;
                Ok(run.run)
            }
        }
    }

    /// How the daemon is.
    ///
    /// # Errors
    /// As [`Client::get`].
    pub async fn health(&self) -> Result<Health, Complaint> {
        self.get("/health").await
    }

    async fn send(
        &self,
        request: hyper::http::request::Builder,
        body: Bytes,
    ) -> Result<Response<Incoming>, Complaint> {
        let stream =
            UnixStream::connect(&self.socket)
                .await
                .map_err(|source| Complaint::NoDaemon {
                    socket: self.socket.clone(),
                    source,
                })?;
        let (mut sender, connection) = hyper::client::conn::http1::handshake(TokioIo::new(stream))
            .await
            .map_err(broken_off)?;
        // The connection lives in its own task until the answer is read; it
        // ends when the response's body is dropped.
        tokio::spawn(connection);
        let request = request
            .header(header::HOST, "wakerail")
            .body(Full::new(body))
            .map_err(|error| Complaint::Answer {
                reason: format!("the request cannot be made: {error}"),
            })?;
        sender.send_request(request).await.map_err(broken_off)
    }
}

/// A stream of events that is being followed.
pub struct Events {
    body: Incoming,
    reader: EventReader,
    ready: std::collections::VecDeque<ServerEvent>,
}

impl Events {
    /// The next event; none when the daemon ended the stream.
    ///
    /// # Errors
    /// When the connection breaks or an event is too long.
    pub async fn next(&mut self) -> Result<Option<ServerEvent>, Complaint> {
        loop {
            if let Some(event) = self.ready.pop_front() {
                return Ok(Some(event));
            }
            let Some(frame) = self.body.frame().await else {
                return Ok(None);
            };
            let frame = frame.map_err(broken_off)?;
            if let Some(bytes) = frame.data_ref() {
                let events = self.reader.take(bytes).map_err(|error| Complaint::Answer {
                    reason: error.to_string(),
                })?;
                self.ready.extend(events);
            }
        }
    }
}

fn broken_off(error: hyper::Error) -> Complaint {
    Complaint::BrokenOff {
        reason: error.to_string(),
    }
}

async fn whole(response: Response<Incoming>) -> Result<Bytes, Complaint> {
    let body = Limited::new(response.into_body(), ANSWER_BYTES_AT_MOST);
    let collected = body.collect().await.map_err(|error| Complaint::BrokenOff {
        reason: error.to_string(),
    })?;
    Ok(collected.to_bytes())
}

async fn understood<A: DeserializeOwned>(response: Response<Incoming>) -> Result<A, Complaint> {
    if !response.status().is_success() {
        return Err(refused(response).await);
    }
    let bytes = whole(response).await?;
    serde_json::from_slice(&bytes).map_err(|error| Complaint::Answer {
        reason: error.to_string(),
    })
}

async fn refused(response: Response<Incoming>) -> Complaint {
    let status = response.status();
    let bytes = match whole(response).await {
        Ok(bytes) => bytes,
        Err(complaint) => return complaint,
    };
    match serde_json::from_slice::<Problem>(&bytes) {
        Ok(problem) => Complaint::Refused(Box::new(as_typed(problem))),
        Err(_) => Complaint::Answer {
            reason: format!("status {status} without a problem's description"),
        },
    }
}

/// The daemon speaks of what was sent to it; a person typed a command and wrote
/// files, and is told of those.
fn as_typed(problem: Problem) -> Problem {
    if problem.kind != problems::MISTAKES {
        return problem;
    }
    let mut files: Vec<&str> = Vec::new();
    for line in problem.detail.lines() {
        let place = line.trim_start().strip_prefix("--> ");
        let file = place.and_then(|place| Some(place.rsplit_once(':')?.0.rsplit_once(':')?.0));
        files.extend(file.filter(|file| !files.contains(file)));
    }
    let title = match files.as_slice() {
        [] => "the command cannot be carried out".to_owned(),
        [file] => format!("{file} has mistakes"),
        files => format!("{} have mistakes", files.join(" and ")),
    };
    Problem { title, ..problem }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Mistakes are those of the files that hold them; where none does, the
    /// command was not right.
    #[test]
    fn a_refusal_names_what_a_person_wrote() {
        let told = |kind: &str, detail: &str| {
            as_typed(Problem {
                kind: kind.to_owned(),
                title: "what was sent has mistakes".to_owned(),
                status: 422,
                detail: detail.to_owned(),
                hints: Vec::new(),
            })
            .title
        };
        let one = "mistake: no `levls`\n --> my plan:b.yaml:3:5\n  |\n3 | --> levls\n";
        let two =
            "mistake: a\n  --> a.rhai:1:40\n\nmistake: b\n --> b.rhai:12:1\n  --> b.rhai:13:1";
        let cases = [
            (one, "my plan:b.yaml has mistakes"),
            (two, "a.rhai and b.rhai have mistakes"),
            (
                "the gain 11 is not between 0.5 and 2",
                "the command cannot be carried out",
            ),
        ];
        for (detail, title) in cases {
            assert_eq!(told(problems::MISTAKES, detail), title);
        }
        assert_eq!(
            told(problems::WRONG_STATE, one),
            "what was sent has mistakes"
        );
    }
}
