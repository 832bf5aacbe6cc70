//! The socket's messages, one JSON object a line: what a client asks for, and what it is told.

use serde::Deserialize;
use serde_json::{Value, json};

use crate::numbers::RecordNumber;
use crate::session::{Command, Reply};
use crate::wording;

/// What a line asks for.
pub(super) enum SocketRequest {
    Listen(Option<RecordNumber>),
    Since(RecordNumber),
    Engine(Command),
}

impl SocketRequest {
    pub fn of(value: Value) -> Result<SocketRequest, String> {
        #[derive(Deserialize)]
        #[serde(deny_unknown_fields)]
        struct Listen {
            #[serde(rename = "command")]
            _command: String,
            #[serde(default)]
            since: Option<RecordNumber>,
        }
        let unclear =
            |e: serde_json::Error| format!("this command can't be used: {}", wording::of_fault(&e.to_string()));
        match value.get("command").and_then(Value::as_str) {
            None => Err("a command names itself: {\"command\":\"status\"}, for example".to_owned()),
            Some("listen") => {
                serde_json::from_value(value).map(|listen: Listen| SocketRequest::Listen(listen.since)).map_err(unclear)
            }
            Some(_) => serde_json::from_value(value).map_err(unclear).map(|command| match command {
                Command::Since { n } => SocketRequest::Since(n),
                command => SocketRequest::Engine(command),
            }),
        }
    }
}

pub(super) fn busy(message: &str) -> String {
    json!({"kind": "busy", "message": message}).to_string()
}

/// The record is embedded as it stands in the log, checksum included.
pub(super) fn record_message(line: &str, logged: bool) -> String {
    format!("{{\"kind\":\"record\",\"logged\":{logged},\"record\":{line}}}")
}

pub(super) fn reply_message(id: &Value, reply: &Reply) -> String {
    json!({"kind": "reply", "id": id, "ok": reply.ok, "message": reply.message, "value": reply.value}).to_string()
}

pub(super) fn refusal(id: &Value, message: String) -> String {
    reply_message(id, &Reply::refused(message))
}
