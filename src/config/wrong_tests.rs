//! What is said of configurations that can't be used.

use super::Config;

fn refused(text: &str) -> String {
    Config::parse(text, "greyhold.yaml").unwrap_err().to_string()
}

/// What is wrong, and the line, the key and the right form that the message must name.
#[test]
fn what_is_wrong_is_refused_with_line_key_and_what_would_be_right() {
    let lights = "groups:\n  - name: key\n    dial: fraction\n    range: 1/128 to 1/1\n";
    let cases: [(String, &[&str]); 12] = [
        ("toleranse: 0.1 stop\n".into(), &["unknown key", "line 1", "toleranse", "tolerance"]),
        ("\ntolerance: 0.1\n".into(), &["line 2", "tolerance", "no unit", "stop"]),
        ("tolerance: 15%\n".into(), &["line 1", "tolerance", "'%'", "stop"]),
        ("recycle_time: 2 stop\n".into(), &["line 1", "recycle", "'stop'", " s"]),
        ("lighting: neon\n".into(), &["line 1", "lighting", "flash or continuous or either"]),
        (format!("{lights}    power: 1/300\n"), &["line 5", "power", "1/8 +0.3"]),
        (format!("{lights}    power: 1/256\n"), &["line 5", "power", "1/128 to 1/1"]),
        (format!("{lights}  - name: key\n"), &["line 5", "name", "twice"]),
        (
            "groups:\n  - name: key\n    dial: fraction\n    range: 1/1 to 1/128\n".into(),
            &["line 4", "range", "weaker"],
        ),
        ("groups:\n  - name: key\n    power: 1/4\n".into(), &["line 3", "power", "dial"]),
        (
            "spots:\n  - {name: cheek, left: 0.6, top: 0, right: 0.5, bottom: 1}\n".into(),
            &["name", "left before right"],
        ),
        ("judged_spot: nose\n".into(), &["line 1", "judged_spot", "whole"]),
    ];
    for (text, parts) in cases {
        let said = refused(&text);
        for part in parts {
            assert!(said.contains(part), "{text:?}\nsaid: {said}\nmissing: {part}");
        }
    }
}

/// Words of the parsers and of the language that this is written in.
const FOREIGN: [&str; 22] = [
    "struct",
    "enum",
    "f64",
    "f32",
    "u32",
    "u64",
    "i64",
    "unit value",
    "expected",
    "invalid type",
    "invalid value",
    "sequence",
    "variant",
    "field",
    "deserializ",
    "newtype",
    "Option",
    "Some(",
    "None",
    "mapping",
    "UTF-8 valid",
    "did not",
];

/// What is wrong, the line that must be named, and a part of what is said.
#[test]
fn no_message_needs_a_programmer_to_read_it() {
    let lights = "groups:\n  - name: key\n    dial: fraction\n    range: 1/128 to 1/1\n";
    let decimal =
        |range: &str| format!("groups:\n  - {{name: key, dial: decimal, full_power: 10.0, range: {range}}}\n");
    let many = |head: &str, entry: &str, n: usize| {
        (0..n).fold(head.to_owned(), |all, i| all + &entry.replace('#', &i.to_string()))
    };
    let spot = "  - {name: s#, left: 0, top: 0, right: 0.5, bottom: 0.5}\n";
    let cases: Vec<(String, usize, &str)> = vec![
        ("- a\n- b\n".into(), 1, "keys with values"),
        ("word\n".into(), 1, "keys with values"),
        ("~\n".into(), 1, "keys with values"),
        ("5\n".into(), 1, "keys with values"),
        ("# first\ntolerance: true\n".into(), 2, "'true'"),
        ("\ntolerance: [0.1 stop]\n".into(), 2, "not a list"),
        ("judged_spot: [a]\n".into(), 1, "not a list"),
        ("judged_spot: {a: b}\n".into(), 1, "not keys with values"),
        ("tolerance: 0.1 stop\nrecycle_time: 2 s\ntolerance: 0.2 stop\n".into(), 3, "twice"),
        ("recycle_time: 2 s\ntoleranse: 0.2 stop\n".into(), 2, "tolerance"),
        (format!("{lights}  - name: rim\n    colour: red\n"), 6, "colour"),
        (format!("{lights}  - role: rim\n    heads: 2\n"), 5, "'name' is missing"),
        (format!("{lights}  - name: rim\n    heads: two\n"), 6, "a whole number, not 'two'"),
        (format!("{lights}  - name: rim\n    heads: -1\n"), 6, "a whole number, not -1"),
        (format!("{lights}  - name: rim\n    heads: 99\n"), 6, "1 to 64"),
        (format!("{lights}  - name: rim\n    name: fill\n"), 6, "twice"),
        (format!("{lights}  - name: Key\n"), 5, "twice"),
        (format!("{lights}  - name: rim\n    power: 1/4\n"), 6, "dial"),
        (
            format!(
                "{lights}    power: 1/4\n  - name: rim\n    dial: fraction\n    range: 1/2 to 1/1\n    power: 1/4\n"
            ),
            9,
            "outside",
        ),
        ("groups: key\n".into(), 1, "a list, not 'key'"),
        ("groups:\n  name: key\n".into(), 2, "a list"),
        ("groups:\n  - key\n".into(), 2, "keys with values, not 'key'"),
        ("groups:\n  - [key]\n".into(), 2, "keys with values, not a list"),
        ("groups:\n  - {name: key, dial: decimal, full_power: x, range: 2.0 to 10.0}\n".into(), 2, "a number, not 'x'"),
        ("groups:\n  - {name: key, dial: decimal, full_power: .inf, range: 2.0 to 10.0}\n".into(), 2, "full power"),
        ("groups:\n  - {name: key, dial: decimal, full_power: 1e300, range: 2.0 to 10.0}\n".into(), 2, "at most"),
        (decimal("-1000000000.0 to 10.0"), 2, "1000 positions"),
        (decimal("-1e308 to 10.0"), 2, "1000 positions"),
        (decimal("-1000000 to 10.0"), 2, "1000 positions"),
        ("spots:\n  - {name: cheek, left: a, top: 0, right: 0.5, bottom: 1}\n".into(), 2, "a number, not 'a'"),
        ("spots:\n  - {name: cheek, left: .nan, top: 0, right: 0.5, bottom: 1}\n".into(), 2, "0 to 1"),
        ("spots:\n  - {name: cheek, left: 0.1}\n".into(), 2, "'top' is missing"),
        (many("spots:\n", spot, 41), 1, "40 spots"),
        (many("groups:\n", "  - name: g#\n", 17), 1, "16 groups"),
        ("ignore_suffixes: ['']\n".into(), 1, "every file"),
        ("ignore_suffixes: ['.tmp', '  ']\n".into(), 1, "every file"),
        ("ignore_suffixes: .tmp\n".into(), 1, "a list, not '.tmp'"),
        ("folder: [a]\n".into(), 1, "not a list"),
        ("tolerance: 0.1 stop\n\tlighting: flash\n".into(), 2, ""),
        ("tolerance: 0.1 stop: yes\n".into(), 1, "colon"),
        ("spots: [{name: a\n".into(), 2, "not closed"),
        ("judged_spot: 'whole\n".into(), 2, "quote"),
        ("judged_spot: *nothing\n".into(), 1, "nowhere"),
        ("judged_spot: @home\n".into(), 1, "quotes"),
        ("lighting: flash\n---\nlighting: either\n".into(), 0, "second document"),
        ("lighting: flash\ndetect: [\n".into(), 2, "not a list"),
    ];
    for (text, line, part) in cases {
        let said = refused(&text);
        for word in FOREIGN {
            assert!(!said.contains(word), "{text:?}\nsaid: {said}\nwith: {word}");
        }
        let place = format!("greyhold.yaml, line {line}: ");
        assert!(line == 0 || said.starts_with(&place), "{text:?}\nsaid: {said}\nline: {line}");
        assert!(said.contains(part), "{text:?}\nsaid: {said}\nmissing: {part}");
        assert_eq!(said.lines().count(), 1);
    }
}
