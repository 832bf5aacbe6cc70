//! The program: reads the command line, calls the library, turns its end into an exit code.

use std::process::ExitCode;

use clap::Parser;
use greyhold::commands::{self, Cli};

fn main() -> ExitCode {
    match commands::run(Cli::parse()) {
        Ok(exit) => exit.into(),
        Err(error) => {
            commands::complain(&error);
            error.exit().into()
        }
    }
}
