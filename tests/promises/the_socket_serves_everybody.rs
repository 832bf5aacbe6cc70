//! The local socket: many listeners, slow ones, rude ones; and every message as its schema says.

use crate::harness::{Client, Studio, greyhold, shot, wait_for};
use serde_json::{Value, json};

fn schema() -> jsonschema::Validator {
    let schema: Value = serde_json::from_str(include_str!("../../config/messages.schema.json")).unwrap();
    jsonschema::draft202012::new(&schema).unwrap()
}

/// The part of it that describes what clients send.
fn schema_of_commands() -> jsonschema::Validator {
    let whole: Value = serde_json::from_str(include_str!("../../config/messages.schema.json")).unwrap();
    jsonschema::draft202012::new(&json!({"$ref": "#/$defs/command", "$defs": whole["$defs"]})).unwrap()
}

fn assert_valid(schema: &jsonschema::Validator, message: &Value) {
    let faults: Vec<String> = schema.iter_errors(message).map(|e| format!("{e} at {}", e.instance_path())).collect();
    assert!(faults.is_empty(), "{faults:?}\n{message}");
}

/// Everything that a sitting makes it say, held against the published schema.
#[test]
fn every_message_is_as_its_schema_says() {
    let schema = schema();
    let mut studio = Studio::empty();
    studio.put("old.jpg", &shot(8.0, 0.0, 90).jpeg());
    std::fs::write(studio.config(), include_str!("../../fixtures/three_groups.yaml")).unwrap();
    studio.extra = vec!["--config".into(), studio.config().display().to_string()];
    studio.start();
    studio.put("raw.nef", &greyhold::studio::exif_block(&shot(5.6, 0.0, 1).exposure()).unwrap());
    wait_for("the raw file", || studio.frames() == ["raw.nef"]);
    studio.take("1.jpg", shot(5.6, 0.0, 2));
    studio.take("2.jpg", shot(11.0, 0.0, 3));
    studio.put("raw.jpg", &shot(5.6, 0.0, 1).jpeg());
    studio.put("text.jpg", b"no photograph");
    studio.take("dark.jpg", shot(5.6, -30.0, 4));
    let mut client = studio.connect();
    let commands = [
        json!({"command": "next", "f_number": "f/2.8", "iso": "iso200", "exposure_time": "1/125", "id": "a"}),
        json!({"command": "plan", "apertures": ["f/8", "to", "f/2.8"], "iso": "iso200", "camera_steps": "thirds", "lens": {"focal_length": "85mm", "distance": "1.8m"}}),
        json!({"command": "confirm"}),
        json!({"command": "power", "group": "key", "setting": "1/4"}),
        json!({"command": "reference", "look": "second"}),
        json!({"command": "look", "look": "main"}),
        json!({"command": "survey", "groups": ["key", "rim"]}),
        json!({"command": "survey", "what": "skip"}),
        json!({"command": "survey", "what": "stop"}),
        json!({"command": "survey", "what": "report"}),
        json!({"command": "note", "text": "words"}),
        json!({"command": "sheet", "look": "main"}),
        json!({"command": "take_look", "sheet": "/nowhere.json", "look": "main", "as": "march", "folder": "/"}),
        json!({"command": "status", "id": 7}),
        json!({"command": "wait"}),
        json!({"command": "since", "n": 3}),
        json!({"command": "power", "group": "nobody", "setting": "1/4"}),
    ];
    let of_commands = schema_of_commands();
    for command in &commands {
        assert_valid(&of_commands, command);
        client.send(format!("{command}\n").as_bytes());
        loop {
            let message = client.next();
            assert_valid(&schema, &message);
            if message["kind"] == "reply" {
                break;
            }
        }
    }
    client.send(b"{\"command\":\"listen\",\"since\":1}\n");
    let mut kinds = std::collections::BTreeSet::new();
    let last = studio.records().last().unwrap().n.get();
    loop {
        let message = client.next();
        assert_valid(&schema, &message);
        if message["kind"] == "record" {
            kinds.insert(message["record"]["type"].as_str().unwrap().to_owned());
            if message["record"]["n"] == last {
                break;
            }
        }
    }
    for kind in [
        "opened",
        "config",
        "existing_files",
        "reference",
        "look",
        "frame",
        "judged",
        "file_added",
        "skipped",
        "correction",
        "resolved",
        "power",
        "note",
    ] {
        assert!(kinds.contains(kind), "the sitting made no '{kind}': {kinds:?}");
    }
    studio.stop();
    let ending = std::iter::from_fn(|| client.try_next());
    ending.for_each(|message| assert_valid(&schema, &message));
}

#[test]
fn the_schema_refuses_what_is_not_said() {
    let schema = schema();
    for wrong in [
        json!({"kind": "hello"}),
        json!({"kind": "gap", "missed": 0, "from": 1}),
        json!({"kind": "reply", "id": null, "ok": 1, "message": "", "value": null}),
    ] {
        assert!(!schema.is_valid(&wrong), "{wrong}");
    }
    let of_commands = schema_of_commands();
    assert!(of_commands.is_valid(&json!({"command": "listen", "since": 1, "id": "a"})));
    for wrong in
        [json!({"command": "fly"}), json!({"command": "next"}), json!({"command": "power", "group": "key"}), json!([])]
    {
        assert!(!of_commands.is_valid(&wrong), "{wrong}");
    }
}

#[test]
fn several_listeners_hear_the_same_and_catch_up_from_a_number() {
    let studio = Studio::open();
    let mut clients: Vec<Client> = (0..10).map(|_| studio.connect()).collect();
    for client in &mut clients {
        client.ask(json!({"command": "listen"}));
    }
    studio.put("a.jpg", &shot(8.0, 0.0, 1).jpeg());
    let heard: Vec<Value> = clients.iter_mut().map(|c| c.next_record("frame")).collect();
    assert!(heard.iter().all(|record| *record == heard[0]));
    // One that comes later asks from a number on, and then hears the rest, each once.
    let mut late = studio.connect();
    late.send(b"{\"command\":\"listen\",\"since\":1}\n");
    studio.put("b.jpg", &shot(8.0, 0.0, 2).jpeg());
    let mut numbers = Vec::new();
    while numbers.len() < 5 {
        let message = late.next();
        if message["kind"] == "record" {
            numbers.push(message["record"]["n"].as_u64().unwrap());
        }
    }
    assert_eq!(numbers, [1, 2, 3, 4, 5]);
}

#[test]
fn bad_input_gets_an_error_and_costs_nothing_else() {
    let studio = Studio::open();
    let mut client = studio.connect();
    for wrong in [
        &b"not json\n"[..],
        b"[]\n",
        b"{}\n",
        b"{\"command\":\"fly\"}\n",
        b"{\"command\":\"note\"}\n",
        b"\xff\xfe\n",
        b"{\"command\":\"status\",\"extra\":1}\n",
    ] {
        client.send(wrong);
        let reply = client.next();
        assert_eq!((&reply["kind"], &reply["ok"]), (&json!("reply"), &json!(false)), "{reply}");
        assert!(!reply["message"].as_str().unwrap().is_empty());
    }
    // Without an end, and far too long.
    let mut rude = studio.connect();
    rude.send(&vec![b'x'; 20_000]);
    assert_eq!(rude.next()["ok"], false);
    assert!(rude.try_next().is_none(), "let go");
    let mut deep = studio.connect();
    deep.send(format!("{}{}\n", "[".repeat(4000), "]".repeat(4000)).as_bytes());
    assert_eq!(deep.next()["ok"], false);
    assert_eq!(client.ask(json!({"command": "status"}))["ok"], true, "everybody else is served");
}

#[test]
fn a_listener_that_takes_nothing_holds_nobody_up_and_is_told_what_it_missed() {
    let studio = Studio::open();
    studio.sync();
    let before = studio.records().last().unwrap().n.get();
    let mut slow = studio.connect();
    slow.ask(json!({"command": "listen"}));
    let text = "x".repeat(4000);
    // More than the kept events and the socket's own buffer hold. One client alone would be slowed.
    for _ in 0..28 {
        let mut busy = studio.connect();
        for _ in 0..50 {
            assert_eq!(busy.ask(json!({"command": "note", "text": text}))["ok"], true);
        }
    }
    let (mut told, mut missed) = (before, 0);
    while told + missed < before + 1400 {
        let message = slow.next();
        match message["kind"].as_str().unwrap() {
            "record" => {
                let n = message["record"]["n"].as_u64().unwrap();
                assert_eq!(n, told + missed + 1, "in order, and gaps are announced");
                told += 1;
            }
            "gap" => {
                assert_eq!(message["from"].as_u64().unwrap(), told + missed + 1);
                missed += message["missed"].as_u64().unwrap();
            }
            other => panic!("{other}"),
        }
    }
    assert!(missed > 0, "it was slow enough to miss some");
}

fn first_line(studio: &Studio) -> String {
    Client::ungreeted(&studio.socket()).line("the first line").unwrap()
}

#[test]
fn however_many_listen_there_is_room_for_a_command() {
    let studio = Studio::open();
    let listening = |_| {
        let mut client = studio.connect();
        assert_eq!(client.ask(json!({"command": "listen"}))["ok"], true);
        client
    };
    let clients: Vec<Client> = (0..64).map(listening).collect();
    let socket = studio.socket().display().to_string();
    for _ in 0..20 {
        assert!(greyhold(&["tell", "--socket", &socket, "status"]).status.success());
    }
    // One more listener is told why there is no room, and how to count on.
    let output = greyhold(&["follow", "--socket", &socket]);
    assert_eq!(output.status.code(), Some(4));
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(said.trim(), "greyhold: greyhold is busy: 64 programs listen already");
    drop(clients);
    wait_for("a free place", || {
        let mut client = studio.connect();
        client.send(b"{\"command\":\"listen\"}\n");
        client.next()["kind"] == "reply"
    });
}

#[test]
fn who_connects_and_asks_nothing_gives_way() {
    let studio = Studio::open();
    let mut idle: Vec<Client> = (0..80).map(|_| studio.connect()).collect();
    assert!(first_line(&studio).contains("\"busy\""), "who has only just come is given time to ask");
    wait_for("one to give way", || first_line(&studio).contains("\"hello\""));
    let said = idle[0].next();
    assert_eq!(said["kind"], "busy", "the one that was idle for longest is told: {said}");
    let socket = studio.socket().display().to_string();
    assert!(greyhold(&["tell", "--socket", &socket, "status"]).status.success());
    assert_eq!(idle[79].ask(json!({"command": "status"}))["ok"], true, "the others stay");
}

#[test]
fn what_is_wrong_with_listening_is_said() {
    let studio = Studio::open();
    studio.sync();
    let last = studio.records().last().unwrap().n.get();
    let mut client = studio.connect();
    for (wrong, part) in [
        (json!({"command": "listen", "sinse": 1}), "sinse"),
        (json!({"command": "listen", "since": "one"}), "a whole number, not 'one'"),
        (json!({"command": "listen", "since": -1}), "a whole number, not -1"),
        (json!({"command": "listen", "since": [1]}), "a whole number, not a list"),
        (json!({"command": "listen", "since": last + 2}), "there is no record"),
        (json!({"command": "since", "n": last + 2}), "there is no record"),
        (json!({"command": "status", "extra": 1}), "extra"),
        (json!({"command": "note", "text": [1]}), "text, not a list"),
        (json!({"command": "spot", "name": "a", "area": 5}), "keys with values, not 5"),
        (json!({"command": 5}), "names itself"),
        (json!("status"), "names itself"),
    ] {
        let reply = client.ask(wrong.clone());
        let said = reply["message"].as_str().unwrap();
        assert!(reply["ok"] == false && said.contains(part), "{wrong}: {reply}");
        for foreign in ["expected", "struct", "enum", "u64", "invalid type", "variant", "field"] {
            assert!(!said.contains(foreign), "{wrong}: {said}");
        }
    }
    let reply = client.ask(json!({"command": "listen", "since": last + 1}));
    assert_eq!(reply["ok"], true, "the next one may be waited for: {reply}");
}

#[test]
fn a_client_that_floods_is_slowed_and_nobody_else_is() {
    let studio = Studio::open();
    let (go_on, over) = std::sync::mpsc::channel::<()>();
    let mut flooding = studio.connect();
    let flood = std::thread::spawn(move || {
        let mut answered = 0;
        let began = std::time::Instant::now();
        // Many at once, so that it is never waited for an answer.
        while matches!(over.try_recv(), Err(std::sync::mpsc::TryRecvError::Empty)) {
            flooding.send(&b"{\"command\":\"note\",\"text\":\"flood\"}\n".repeat(10));
            for _ in 0..10 {
                assert_eq!(flooding.next()["ok"], true, "slowed, and never dropped");
                answered += 1;
            }
        }
        (answered, began.elapsed())
    });
    let mut other = studio.connect();
    for n in 0..5 {
        studio.put(&format!("{n}.jpg"), &shot(8.0, 0.0, n).jpeg());
        assert_eq!(other.ask(json!({"command": "status"}))["ok"], true);
    }
    studio.sync();
    std::thread::sleep(std::time::Duration::from_secs(2));
    drop(go_on);
    let (answered, took) = flood.join().unwrap();
    assert!(f64::from(answered) <= 70.0 + 55.0 * took.as_secs_f64(), "{answered} in {took:?}");
    assert_eq!(studio.frames().len(), 5);
}

/// The most memory that the daemon had so far, in MiB.
#[cfg(target_os = "linux")]
fn peak(studio: &Studio) -> u64 {
    let status = std::fs::read_to_string(format!("/proc/{}/status", studio.pid())).unwrap();
    let peak = status.lines().find_map(|l| l.strip_prefix("VmHWM:")).unwrap();
    peak.trim().trim_end_matches(" kB").parse::<u64>().unwrap() >> 10
}

/// All listeners that there can be, none of which reads; half of them ask for the whole log, too.
#[cfg(target_os = "linux")]
#[test]
fn listeners_that_never_read_cost_a_bounded_memory() {
    let studio = Studio::open();
    studio.sync();
    let write = |notes: usize| {
        let mut writer = studio.connect();
        for _ in 0..notes {
            assert_eq!(writer.ask(json!({"command": "note", "text": "x".repeat(7000)}))["ok"], true);
        }
    };
    (0..6).for_each(|_| write(50));
    let before = peak(&studio);
    let listen = |i| {
        let mut client = studio.connect();
        let since = if i % 2 == 0 { json!(1) } else { Value::Null };
        client.send(format!("{}\n", json!({"command": "listen", "since": since})).as_bytes());
        client
    };
    let _never_read: Vec<Client> = (0..64).map(listen).collect();
    (0..24).for_each(|_| write(50));
    let grown = peak(&studio) - before;
    println!("{before} MiB before, {grown} MiB more with 64 listeners");
    assert!(grown < 300, "{grown} MiB more than the {before} before");
    assert_eq!(studio.tell(json!({"command": "status"}))["ok"], true);
}
