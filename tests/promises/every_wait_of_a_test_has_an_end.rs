//! A test that waits for a program that says no more fails, and tells what it waited for.
#![cfg(unix)]

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::process::{Command, Stdio};
use std::time::Duration;

use serde_json::json;

use crate::harness::process::{Printed, ended, in_a_process_of_its_own};
use crate::harness::{Client, Studio};

/// What a test says that fails.
fn failure(test: impl FnOnce()) -> String {
    let said = catch_unwind(AssertUnwindSafe(test)).expect_err("it fails");
    said.downcast_ref::<String>().cloned().unwrap_or_default()
}

#[test]
fn a_greyhold_that_hangs_fails_the_test_that_asks_it() {
    let studio = Studio::open();
    let mut client = Client::with_patience(&studio.socket(), Duration::from_secs(1));
    studio.signal("STOP");
    let said = failure(|| drop(client.ask(json!({"command": "status"}))));
    assert!(said.contains("waited in vain for the reply to") && said.contains("status"), "{said}");
}

#[test]
fn a_program_that_ends_before_it_says_what_is_awaited_is_no_endless_wait() {
    let mut child = Command::new("echo").arg("another line").stdout(Stdio::piped()).spawn().unwrap();
    let printed = Printed::of(child.stdout.take().unwrap());
    assert!(printed.find(|line| line.strip_prefix("watching ").map(str::to_owned)).is_err());
    assert!(ended(&mut child, Duration::from_secs(30)).unwrap().success());
}

#[test]
fn a_program_that_does_not_end_is_ended() {
    let mut child = Command::new("sleep").arg("600").spawn().unwrap();
    assert_eq!(ended(&mut child, Duration::from_millis(100)), None);
    assert!(child.try_wait().unwrap().is_some(), "it is gone");
}

#[test]
fn what_fails_in_a_process_of_its_own_fails_the_test() {
    let said = failure(|| in_a_process_of_its_own(|| std::process::exit(3)));
    assert!(said.contains("in a process of its own"), "{said}");
}
