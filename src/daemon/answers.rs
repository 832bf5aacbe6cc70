//! What `wait` and `status` say of the folder and the log, in words and values.

use std::path::Path;

use serde_json::{Value, json};

use crate::intake::{FolderStands, FolderState};
use crate::session::Reply;

/// What is not logged, or not sure to be, when somebody asks.
#[derive(Debug, Default)]
pub(super) struct Synced {
    /// Files that are not whole yet.
    pub waiting: Vec<String>,
    /// Files whose disk or share gives no bytes.
    pub silent: Vec<String>,
    pub folder: FolderState,
    /// Records that the log's disk doesn't take.
    pub in_memory: usize,
    /// Files that were skipped since somebody last asked.
    pub skipped: Vec<String>,
    /// Further ones, whose names nobody kept.
    pub more_skipped: usize,
    /// The intake could not be asked: neither files nor folder were looked at anew.
    pub unasked: bool,
}

impl Synced {
    pub fn reply(self) -> Reply {
        let mut but = Vec::new();
        match &self.folder.stands {
            FolderStands::Watched => {}
            FolderStands::Unseen => but.push("the capture folder was not looked at yet".to_owned()),
            FolderStands::Away => but.push("the capture folder is gone, nobody sees what lies in it".to_owned()),
            FolderStands::Silent => but.push("the capture folder's disk or share doesn't answer".to_owned()),
            FolderStands::NotListed { why } => but.push(format!("the capture folder can't be listed ({why})")),
        }
        if self.folder.replaced {
            but.push("what the folder held that lay there before: another one lies in its place now".to_owned());
        }
        let mut name = |what: &str, names: &[String]| {
            if !names.is_empty() {
                but.push(format!("{what}: {}", some_of(names, 0)));
            }
        };
        name("what is not whole yet", &self.waiting);
        name("what can't be read now, because its disk or share doesn't answer", &self.silent);
        name("what lies in folders that can't be listed", &self.folder.unlisted);
        if self.in_memory > 0 {
            but.push(format!("{} records that wait in memory, because the log can't be written", self.in_memory));
        }
        if self.unasked {
            but.push("what landed meanwhile, which waits until the shot log can be written".to_owned());
        }
        let skipped = match self.skipped.as_slice() {
            [] => String::new(),
            names => format!("; skipped since this was last asked: {}", some_of(names, self.more_skipped)),
        };
        let says = match but.as_slice() {
            [] => format!("everything in the folder is logged{skipped}"),
            but => format!("everything is logged but {}{skipped}", but.join("; ")),
        };
        let complete = but.is_empty();
        let waiting: Vec<&String> = self.waiting.iter().chain(&self.silent).collect();
        let value = json!({
            "complete": complete,
            "waiting": waiting,
            "silent": self.silent,
            "folder": stands(&self.folder),
            "replaced": self.folder.replaced,
            "unlisted": self.folder.unlisted,
            "in_memory": self.in_memory,
            "skipped": self.skipped,
            "more_skipped": self.more_skipped,
        });
        Reply::with(says, value)
    }
}

/// The first names of a list, and how many more there are.
fn some_of(names: &[String], unexplained: usize) -> String {
    /// More in one sentence nobody reads.
    const SHOWN: usize = 10;
    let shown = names.iter().take(SHOWN).map(String::as_str).collect::<Vec<_>>().join(", ");
    match names.len().saturating_sub(SHOWN) + unexplained {
        0 => shown,
        more => format!("{shown} and {more} more"),
    }
}

/// The folder's state, as `status` answers it.
pub(super) fn folder(path: &Path, state: &FolderState) -> Value {
    let why = match &state.stands {
        FolderStands::NotListed { why } => Some(why),
        _ => None,
    };
    json!({
        "path": path.display().to_string(),
        "state": stands(state),
        "why": why,
        "replaced": state.replaced,
        "polling": state.polling,
        "unlisted": state.unlisted,
    })
}

fn stands(state: &FolderState) -> &'static str {
    match state.stands {
        FolderStands::Unseen => "unseen",
        FolderStands::Watched => "watched",
        FolderStands::Away => "away",
        FolderStands::Silent => "silent",
        FolderStands::NotListed { .. } => "not_listed",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn watched() -> Synced {
        Synced { folder: FolderState { stands: FolderStands::Watched, ..FolderState::default() }, ..Synced::default() }
    }

    #[test]
    fn all_is_logged_only_when_nothing_speaks_against_it() {
        let all = watched().reply();
        assert_eq!(
            (all.message.as_str(), &all.value["complete"]),
            ("everything in the folder is logged", &json!(true))
        );
        let names = || vec!["a.jpg".to_owned()];
        let cases = [
            (Synced { waiting: names(), ..watched() }, "a.jpg"),
            (Synced { silent: names(), ..watched() }, "a.jpg"),
            (Synced { in_memory: 3, ..watched() }, "3 records"),
            (Synced { unasked: true, ..watched() }, "landed meanwhile"),
            (Synced::default(), "not looked at"),
        ];
        for (synced, word) in cases {
            let reply = synced.reply();
            assert_eq!(reply.value["complete"], false, "{}", reply.message);
            assert!(
                reply.message.starts_with("everything is logged but ") && reply.message.contains(word),
                "{}",
                reply.message
            );
        }
        for stands in [FolderStands::Away, FolderStands::Silent, FolderStands::NotListed { why: "denied".into() }] {
            let folder = FolderState { stands, ..FolderState::default() };
            assert_eq!(Synced { folder, ..watched() }.reply().value["complete"], false);
        }
        let folder = FolderState { stands: FolderStands::Watched, replaced: true, ..FolderState::default() };
        let other = Synced { folder, ..Synced::default() }.reply();
        assert!(
            other.value["complete"] == false && other.message.contains("another one lies in its place"),
            "{}",
            other.message
        );
        let skipped = Synced { skipped: names(), ..watched() }.reply();
        assert!(skipped.message.ends_with("skipped since this was last asked: a.jpg"), "{}", skipped.message);
    }
}
