//! What a watch takes over from the question for its folder.

use std::path::PathBuf;

use super::last_folder::remember;
use super::service_manager::Pings;
use super::signals::Stop;

/// What was begun before the watch; nothing where its folder was named on the command line.
#[derive(Default)]
pub struct HandedOn {
    /// Requests to end that are listened to already.
    pub stop: Option<Stop>,
    /// Keeps the service manager told until the sitting does.
    pub pings: Option<Pings>,
    /// A folder that somebody named, to be remembered.
    pub named: Option<PathBuf>,
}

impl HandedOn {
    /// The watch is up: the sitting tells that it lives, and only now it is known that the folder that was named can be watched.
    pub fn watch_is_up(self) {
        drop(self.pings);
        if let Some(folder) = &self.named {
            remember(folder);
        }
    }
}
