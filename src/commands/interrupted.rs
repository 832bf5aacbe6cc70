//! Ctrl-C for commands that write only at their end: it is heeded between two steps, so that nothing is left half done.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use super::exit::CommandError;
use super::signals;

/// Whether somebody asked to stop. Clones tell the same.
#[derive(Debug, Clone)]
pub struct Interrupted(Arc<AtomicBool>);

impl Interrupted {
    /// Listens from now on. `at_once` is done when the first request comes.
    pub fn listen(at_once: impl FnOnce() + Send + 'static) -> Result<Interrupted, CommandError> {
        let cannot = |e: std::io::Error| CommandError::CannotRun(e.to_string());
        let stop = signals::stop(|| {}).map_err(cannot)?;
        let waiting = tokio::runtime::Builder::new_current_thread().build().map_err(cannot)?;
        let asked = Arc::new(AtomicBool::new(false));
        let tell = Arc::clone(&asked);
        std::thread::spawn(move || {
            waiting.block_on(stop);
            tell.store(true, Ordering::SeqCst);
            at_once();
        });
        Ok(Interrupted(asked))
    }

    pub fn is_asked(&self) -> bool {
        self.0.load(Ordering::SeqCst)
    }

    /// # Errors
    /// Somebody asked to stop.
    pub fn check(&self) -> Result<(), CommandError> {
        if self.is_asked() { Err(CommandError::Interrupted) } else { Ok(()) }
    }
}
