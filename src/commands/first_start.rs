//! `greyhold` alone: a watch of the folder that the configuration here names, that was named last, or that somebody answers: on
//! the terminal, or on a page of this machine where there is none.

use std::io::IsTerminal;
use std::path::{Path, PathBuf};

use super::exit::CommandError;
use super::last_folder::{keep, last_folder};
use super::watch::{self, usual_config, which_folder};
use super::{say, service_manager, signals};
use crate::config::Config;
use crate::files::state_folder;
use crate::outlet::stand_page::{Choosing, Chosen, Token};

/// Name of the file with the address of the page that asks, beside those of the stand page.
const TOKEN_FILE: &str = "page-first-start.token";

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
pub fn asked_for() -> Result<Option<watch::Args>, CommandError> {
    let terminals = [std::io::stdin().is_terminal(), std::io::stdout().is_terminal(), std::io::stderr().is_terminal()];
    let asked = who_is_asked(terminals);
    if asked == Asked::Nobody {
        let said = "what is to be done? 'greyhold watch FOLDER' watches a folder, 'greyhold --help' names the rest";
        return Err(CommandError::WrongUse(said.to_owned()));
    }
    if usual_config().map(|file| Config::read(&file)).transpose()?.is_some_and(|config| config.folder.is_some()) {
        return Ok(Some(watch::Args::default()));
    }
    match asked {
        Asked::Terminal => on_terminal().map(Some),
        Asked::Page | Asked::Nobody => match last_folder() {
            Some(folder) if folder.is_dir() => Ok(Some(watch::Args::of(folder))),
            last => Ok(on_page(last.as_deref())?.map(watch::Args::chosen)),
        },
    }
}

fn on_terminal() -> Result<watch::Args, CommandError> {
    let last = last_folder().filter(|folder| folder.is_dir());
    say("Which folder does the camera write to? (its path; or 'greyhold init' first, for a configuration)");
    if let Some(last) = &last {
        say(&format!("Press Enter for {}, as last time.", last.display()));
    }
    let mut said = String::new();
    std::io::stdin().read_line(&mut said).map_err(|e| CommandError::CannotRun(e.to_string()))?;
    match (said.trim(), last) {
        ("", Some(last)) => Ok(watch::Args::of(last)),
        ("", None) => Err(which_folder()),
        (folder, _) => {
            let folder = PathBuf::from(folder);
            if folder.is_dir() {
                remember(&folder);
            }
            Ok(watch::Args::of(folder))
        }
    }
}

/// Asks on a page of this machine until a folder is chosen or the end is asked for.
fn on_page(last: Option<&Path>) -> Result<Option<Chosen>, CommandError> {
    let cannot = |e: std::io::Error| CommandError::CannotRun(format!("the capture folder can't be asked for: {e}"));
    let state = state_folder().ok_or_else(|| {
        CommandError::CannotRun(
            "this user has no home folder to keep the page's token in: set HOME, or name the folder (greyhold watch FOLDER)"
                .to_owned(),
        )
    })?;
    let token = Token::fresh().map_err(|e| cannot(std::io::Error::other(e)))?;
    let why = last.map(|last| {
        format!("{} isn't there now. Connect its disk and look again, or choose another folder.", last.display())
    });
    let stop = signals::stop(|| {}).map_err(cannot)?;
    let runtime = tokio::runtime::Runtime::new().map_err(cannot)?;
    runtime.block_on(async {
        let page = Choosing::open(token, state.join(TOKEN_FILE), why).await.map_err(cannot)?;
        let said = format!(
            "no capture folder is known: choose it at http://127.0.0.1:{}/ ('greyhold open' opens that page)\n  token    in {}, \
             which you alone can read",
            page.port,
            page.token_file().display()
        );
        say(&said);
        service_manager::is_up("asks for the capture folder: 'greyhold open' opens its page");
        let chosen = tokio::select! {
            chosen = page.serve() => Some(chosen),
            () = stop => None,
            () = service_manager::keep_told_without_sitting() => None,
        };
        if let Some(chosen) = &chosen {
            remember(&chosen.folder);
        } else {
            service_manager::ends();
        }
        Ok(chosen)
    })
}

/// One that can't be remembered is asked for again next time, which is no reason not to watch it.
fn remember(folder: &Path) {
    let whole = std::path::absolute(folder);
    if let Err(e) = whole.and_then(|folder| keep(&folder)) {
        say(&format!("(the folder can't be remembered for the next start: {e})"));
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
