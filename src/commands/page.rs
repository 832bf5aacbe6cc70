//! How the stand page is asked for on the command line, and how people are told where it is.

use std::io::IsTerminal;
use std::path::Path;

use super::exit::CommandError;
use crate::files::state_folder;
use crate::outlet::stand_page::{self, Audience, Certificate, PageSetup, Token};

/// The file that the page's certificate is kept in.
const CERTIFICATE: &str = "page-certificate.pem";

/// How the stand page is served.
#[derive(Debug, Default, clap::Args)]
pub(super) struct PageArgs {
    /// Open the stand page to phones and tablets on this network, with a token that is new at every start
    #[arg(long)]
    lan: bool,
    /// The stand page's port [default: 4718, or any when that is taken]
    #[arg(long, value_name = "PORT", value_parser = clap::value_parser!(u16).range(1..))]
    port: Option<u16>,
    /// Encrypt the stand page, by a certificate of its own whose fingerprint is shown
    #[arg(long)]
    tls: bool,
    /// Announce the stand page on this network as NAME.local
    #[arg(long, value_name = "NAME", requires = "lan", value_parser = stand_page::checked_name)]
    name: Option<String>,
    /// Serve no page
    #[arg(long, conflicts_with_all = ["lan", "port", "tls", "name"])]
    no_page: bool,
    /// What opened the page that this one follows
    #[arg(skip)]
    token: Option<Token>,
}

impl PageArgs {
    /// A page that takes the place of another one, for who has that open.
    pub fn going_on(port: u16, token: Token) -> PageArgs {
        PageArgs { port: Some(port), token: Some(token), ..PageArgs::default() }
    }

    /// Whether anything was said of how it is served.
    pub fn is_asked(&self) -> bool {
        // A page that follows another one has that one's port, which nobody asked for.
        self.lan || self.tls || self.port.is_some() && self.token.is_none()
    }

    /// What the page of the sitting with this shot log needs.
    pub fn setup(&self, log: &Path) -> Result<Option<PageSetup>, CommandError> {
        if self.no_page {
            return Ok(None);
        }
        let token = match self.token.clone() {
            Some(token) => token,
            None => Token::fresh().map_err(|e| {
                CommandError::CannotRun(format!("this system gives no random numbers for a token: {e}"))
            })?,
        };
        let folder = state_folder();
        // Where output goes elsewhere it is kept, and read by who knows whom.
        let is_shown = std::io::stdout().is_terminal();
        if folder.is_none() && (!is_shown || self.tls) {
            let why = "this user has no home folder to keep the page's token or certificate in";
            if self.is_asked() {
                return Err(CommandError::CannotRun(format!("{why}: set HOME or XDG_STATE_HOME")));
            }
            tracing::warn!("no page is served: {why}");
            return Ok(None);
        }
        let file = |kind: &str| folder.as_deref().map(|folder| PageSetup::file_for(folder, log, kind));
        let certificate = folder.as_deref().filter(|_| self.tls).map(|folder| {
            Certificate::kept(&folder.join(CERTIFICATE), &stand_page::addresses(), self.name.as_deref())
                .map_err(|e| CommandError::CannotRun(e.to_string()))
        });
        Ok(Some(PageSetup {
            audience: if self.lan { Audience::LocalNetwork } else { Audience::ThisMachine },
            port: self.port,
            token,
            certificate: certificate.transpose()?,
            name: self.name.clone(),
            sessions: file("sessions"),
            token_file: file("token").filter(|_| !is_shown),
            story: None,
            is_asked: self.is_asked(),
        }))
    }
}

/// How the page is reached, for people. The token is in it only where a terminal shows it.
pub(super) fn page_in_words(page: &PageSetup, port: u16) -> String {
    let is_shown = page.token_file.is_none();
    let key = if is_shown { format!("#{}", page.key()) } else { String::new() };
    let here = page.address("127.0.0.1", port);
    let mut lines = vec![format!("{here}{key}   at the stand"), format!("{here}set{key}   beside the camera")];
    if let Some(file) = &page.token_file {
        lines.push(format!("  token    in {}, which you alone can read", file.display()));
    }
    if page.audience == Audience::LocalNetwork {
        lines.extend(for_phones(page, port));
    }
    if let Some(certificate) = &page.certificate {
        lines.push(format!(
            "Encrypted by a certificate of its own, of which each phone warns once. Go on only if the phone shows its\n\
             SHA-256 fingerprint: {}",
            certificate.fingerprint()
        ));
    } else if page.audience == Audience::LocalNetwork {
        lines.push(
            "NOT ENCRYPTED: who listens in on this network sees pictures, powers and the token, and can sign in. --tls encrypts."
                .to_owned(),
        );
    }
    lines.join("\n")
}

fn for_phones(page: &PageSetup, port: u16) -> Vec<String> {
    let addresses: Vec<String> = page.hosts().iter().map(|host| page.address(host, port)).collect();
    // A number is found by every phone, a name by most.
    let numbers = stand_page::addresses();
    let Some(number) = numbers.first() else {
        return vec!["This machine has no address on a network: connect it, then start again for phones.".to_owned()];
    };
    let all = addresses.join(" or ");
    if page.token_file.is_some() {
        return vec![format!("phones on this network: {all}")];
    }
    let code = format!("{}#{}", page.address(&number.to_string(), port), page.key());
    vec![
        format!("phones on this network: {all}   token {}", page.token.in_groups()),
        stand_page::qr_code(&code).unwrap_or_default(),
        "Who has the code can sign in, see the pictures and tell powers; the token holds until greyhold ends. Who has\n\
         signed in is listed beside the camera, and can be signed out there."
            .to_owned(),
    ]
}

#[cfg(test)]
mod tests {
    use std::path::PathBuf;

    use super::*;

    fn page(token_file: Option<&str>, audience: Audience, name: Option<&str>) -> PageSetup {
        PageSetup {
            audience,
            port: None,
            token: Token::fresh().unwrap(),
            certificate: None,
            name: name.map(str::to_owned),
            sessions: None,
            token_file: token_file.map(PathBuf::from),
            story: None,
            is_asked: true,
        }
    }

    #[test]
    fn the_token_is_told_on_a_terminal_and_nowhere_else() {
        for audience in [Audience::ThisMachine, Audience::LocalNetwork] {
            let shown = page(None, audience, Some("studio"));
            let words = page_in_words(&shown, 4718);
            assert!(words.starts_with(&format!("http://127.0.0.1:4718/#{}", shown.token.as_str())), "{words}");
            let kept = page(Some("/home/somebody/page.token"), audience, Some("studio"));
            let words = page_in_words(&kept, 4718);
            assert!(!words.contains(kept.token.as_str()) && !words.contains(&kept.token.in_groups()), "{words}");
            assert!(words.contains("/home/somebody/page.token"), "{words}");
            assert!(!words.contains('█'), "a code is the token, too: {words}");
        }
    }

    #[test]
    fn a_page_that_follows_another_was_not_asked_for() {
        assert!(!PageArgs::going_on(4718, Token::fresh().unwrap()).is_asked());
        assert!(PageArgs { port: Some(4718), ..PageArgs::default() }.is_asked());
    }

    #[test]
    fn what_a_listener_sees_is_said_in_one_line_where_others_can_come_in() {
        let says = |audience| {
            let words = page_in_words(&page(None, audience, None), 4718);
            words.lines().filter(|l| l.contains("NOT ENCRYPTED")).count()
        };
        assert_eq!((says(Audience::ThisMachine), says(Audience::LocalNetwork)), (0, 1));
    }
}
