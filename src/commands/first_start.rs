//! `greyhold` alone: a watch of the folder that the configuration here names, that was named last, or that somebody answers: on
//! the terminal, or on a page of this machine where there is none.

use std::io::IsTerminal;
use std::path::{Path, PathBuf};
use std::sync::mpsc::channel;
use std::time::Duration;

use tokio::task::spawn_blocking;
use tokio::time::sleep;

use super::exit::CommandError;
use super::handed_on::HandedOn;
use super::last_folder::last_folder;
use super::service_manager::Pings;
use super::watch::{self, usual_config, which_folder};
use super::{check, say, service_manager, signals};
use crate::config::Config;
use crate::files::state_folder;
use crate::outlet::stand_page::{Choosing, Token};

/// Name of the file with the address of the page that asks, beside those of the stand page.
const TOKEN_FILE: &str = "page-first-start.token";
/// A folder whose disk or share doesn't answer within this isn't there.
const ANSWERS: Duration = Duration::from_secs(3);
/// A folder that isn't there is looked for this often.
const LOOK_EVERY: Duration = Duration::from_secs(2);

/// A watch, and what it takes over.
type Begun = (watch::Args, HandedOn);

/// Who can be asked for a folder.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Asked {
    /// Whoever sits at the terminal.
    Terminal,
    /// Whoever opens the page: a service, or a symbol that was clicked, has no terminal.
    Page,
    /// Nobody: a pipe or a script runs this, and had better hear what it forgot.
    Nobody,
}

/// Decides by which of standard input, output and error are terminals.
fn who_is_asked([input, output, errors]: [bool; 3]) -> Asked {
    match (input && output, input || output || errors) {
        (true, _) => Asked::Terminal,
        (false, false) => Asked::Page,
        (false, true) => Asked::Nobody,
    }
}

/// The watch that is meant; none where the program was asked to end before anybody named a folder.
pub fn asked_for() -> Result<Option<Begun>, CommandError> {
    let terminals = [std::io::stdin().is_terminal(), std::io::stdout().is_terminal(), std::io::stderr().is_terminal()];
    let asked = who_is_asked(terminals);
    if asked == Asked::Nobody {
        let said = "what is to be done? 'greyhold watch FOLDER' watches a folder, 'greyhold --help' names the rest";
        return Err(CommandError::WrongUse(said.to_owned()));
    }
    if usual_config().map(|file| Config::read(&file)).transpose()?.is_some_and(|config| config.folder.is_some()) {
        return Ok(Some(Begun::default()));
    }
    match asked {
        Asked::Terminal => on_terminal().map(Some),
        Asked::Page | Asked::Nobody => match last_folder() {
            Some(folder) if is_there(&folder) => Ok(Some((watch::Args::of(folder), HandedOn::default()))),
            last => on_page(last),
        },
    }
}

/// Whether it is there now. A share that hangs may let its asker wait without end.
fn is_there(folder: &Path) -> bool {
    let (tell, told) = channel();
    let folder = folder.to_owned();
    std::thread::spawn(move || tell.send(folder.is_dir()));
    told.recv_timeout(ANSWERS).unwrap_or(false)
}

fn on_terminal() -> Result<Begun, CommandError> {
    let last = last_folder().filter(|folder| is_there(folder));
    say("Which folder does the camera write to? (its path; or 'greyhold init' first, for a configuration)");
    if let Some(last) = &last {
        say(&format!("Press Enter for {}, as last time.", last.display()));
    }
    let mut said = String::new();
    std::io::stdin().read_line(&mut said).map_err(|e| CommandError::CannotRun(e.to_string()))?;
    match (said.trim(), last) {
        ("", Some(last)) => Ok((watch::Args::of(last), HandedOn::default())),
        ("", None) => Err(which_folder()),
        (folder, _) => {
            let named = Some(PathBuf::from(folder));
            Ok((watch::Args::of(PathBuf::from(folder)), HandedOn { named, ..HandedOn::default() }))
        }
    }
}

/// Asks on a page of this machine until a folder is chosen, the last one is there again, or the end is asked for.
fn on_page(last: Option<PathBuf>) -> Result<Option<Begun>, CommandError> {
    let cannot = |e: std::io::Error| CommandError::CannotRun(format!("the capture folder can't be asked for: {e}"));
    let state = state_folder().ok_or_else(|| {
        CommandError::CannotRun(
            "this user has no home folder to keep the page's token in: set HOME, or name the folder (greyhold watch FOLDER)"
                .to_owned(),
        )
    })?;
    let token = Token::fresh().map_err(|e| cannot(std::io::Error::other(e)))?;
    let why = last.as_ref().map(|last| {
        format!(
            "{} isn't there now. Connect its disk, and greyhold goes on by itself; or choose another folder.",
            last.display()
        )
    });
    let mut stop = signals::stop(|| {}).map_err(cannot)?;
    let runtime = tokio::runtime::Runtime::new().map_err(cannot)?;
    let chosen = runtime.block_on(async {
        let page = Choosing::open(token, state.join(TOKEN_FILE), why, check::unwritable).await.map_err(cannot)?;
        say(&format!(
            "no capture folder is known: choose it at http://127.0.0.1:{}/ ('greyhold open' opens that page)\n  token    in {}, \
             which you alone can read",
            page.port,
            page.token_file().display()
        ));
        service_manager::is_up("asks for the capture folder: 'greyhold open' opens its page");
        let pings = Pings::begin();
        Ok::<_, CommandError>(tokio::select! {
            chosen = page.serve(comes_back(last)) => Some((chosen, pings)),
            () = &mut stop => None,
        })
    });
    // Whoever looks into a share that hangs is not waited for.
    runtime.shutdown_background();
    let Some((chosen, pings)) = chosen? else {
        service_manager::ends();
        return Ok(None);
    };
    let handed_on = HandedOn { stop: Some(stop), pings, named: Some(chosen.folder.clone()) };
    Ok(Some((watch::Args::chosen(chosen), handed_on)))
}

/// The last folder, when it is there again.
async fn comes_back(last: Option<PathBuf>) -> PathBuf {
    let Some(last) = last else { return std::future::pending().await };
    loop {
        let folder = last.clone();
        if spawn_blocking(move || folder.is_dir()).await.unwrap_or(false) {
            return last;
        }
        sleep(LOOK_EVERY).await;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_page_asks_only_where_nobody_sits_at_a_terminal() {
        assert_eq!(who_is_asked([true, true, true]), Asked::Terminal);
        assert_eq!(who_is_asked([true, true, false]), Asked::Terminal);
        assert_eq!(who_is_asked([false, false, false]), Asked::Page);
        for piped in [[true, false, true], [false, true, true], [false, false, true], [true, false, false]] {
            assert_eq!(who_is_asked(piped), Asked::Nobody, "{piped:?}");
        }
    }
}
