//! What is written down of the set, and what is refused.

use std::path::{Path, PathBuf};

use super::Config;
use super::typed::{TypedThing, apply, write, write_notes};

const SET: &str = "\
groups:
  - {name: Key, modifier: softbox, height: 2.1 m, angle: 45 left, gel_colour: half warm, note: grid folded back}
  - {name: background, heads: 2, angle: 150 left and 150 right}
passive:
  - {name: silver card, kind: reflector, side: left, height: 1 m, note: tilted up}
notes: [stool on the cross]
";

fn set(path: &Path) -> Result<Config, String> {
    let mut config = Config::parse(SET, "x").unwrap();
    apply(path, &mut config).map(|()| config).map_err(|e| e.to_string())
}

fn told(name: &str, facts: &[(&str, &str)]) -> TypedThing {
    let facts: serde_json::Map<_, _> = facts.iter().map(|(key, text)| ((*key).to_owned(), (*text).into())).collect();
    let mut thing = serde_json::Value::Object(facts);
    thing["name"] = name.into();
    serde_json::from_value(thing).unwrap()
}

fn nowhere() -> (tempfile::TempDir, PathBuf) {
    let home = tempfile::tempdir().unwrap();
    let path = home.path().join("x.typed.yaml");
    (home, path)
}

#[test]
fn what_is_typed_stands_in_fact_by_fact_until_it_is_taken_back() {
    let (_home, path) = nowhere();
    let configured = set(&path).unwrap();
    let write = |thing: TypedThing| write(&path, &set(&path).unwrap(), &thing).unwrap();
    write(told("key", &[("height", " 180 cm "), ("note", "")]));
    write(told("KEY ", &[("distance", "1.3 m")]));
    write(told("background", &[("angle", "30 left and 40 right")]));
    write(told("silver card", &[("angle", "60 left")]));
    write_notes(&path, Some(&["a cushion".to_owned(), String::new()])).unwrap();
    let typed = set(&path).unwrap();
    let key = &typed.groups[0].facts;
    assert_eq!(key.stands.height.map(|m| m.get()), Some(1.8));
    assert_eq!(key.stands.distance.map(|m| m.get()), Some(1.3));
    assert_eq!((key.note.as_deref(), key.modifier.as_deref()), (None, Some("softbox")));
    assert_eq!(key.stands.angles_in_words().as_deref(), Some("45° left"));
    assert_eq!(typed.groups[1].facts.stands.angles_in_words().as_deref(), Some("30° left and 40° right"));
    let card = &typed.passive[0];
    assert_eq!(
        (card.note.as_deref(), card.stands.in_words()),
        (Some("tilted up"), vec!["1 m high".into(), "60° left".into()])
    );
    assert_eq!(typed.notes, ["a cushion"]);
    let has = |config: &Config, name: &str| config.typed.of(name).is_some();
    assert!(has(&typed, "key") && typed.typed.has_notes() && !has(&configured, "key"));
    for name in ["key", "background", "silver card", "key"] {
        write(told(name, &[]));
    }
    write_notes(&path, None).unwrap();
    assert_eq!(set(&path).unwrap(), configured);
}

/// What the configuration refuses is refused here, in the same words, and what it takes comes to the same.
#[test]
fn it_is_checked_as_the_configuration_is() {
    let (_home, path) = nowhere();
    let long = "x".repeat(201);
    for (key, text) in [
        ("height", "2.1"),
        ("height", "30 m"),
        ("height", "7 ft"),
        ("distance", "far"),
        ("distance", "1 cm"),
        ("distance", "130 cm"),
        ("angle", "45"),
        ("angle", "45 left and 45 right"),
        ("angle", "200 left"),
        ("angle", "30° right"),
        ("modifier", "beauty dish, 55 cm: silver"),
        ("modifier", long.as_str()),
        ("gel_colour", "quarter cool"),
        ("note", "a\u{7}b"),
        ("note", "it's # here"),
    ] {
        let quoted = serde_json::to_string(text).unwrap();
        let written = Config::parse(&format!("groups:\n  - {{name: Key, {key}: {quoted}}}\n"), "x");
        let typed = write(&path, &set(&path).unwrap(), &told("Key", &[(key, text)]));
        match (written, typed) {
            (Ok(written), Ok(())) => {
                let (facts, typed) = (&written.groups[0].facts, &set(&path).unwrap().groups[0].facts);
                let [written, typed] = [facts, typed].map(|f| match key {
                    "modifier" => f.modifier.clone(),
                    "gel_colour" => f.gel_colour.clone(),
                    "note" => f.note.clone(),
                    "height" => f.stands.height.map(|m| m.get().to_string()),
                    "distance" => f.stands.distance.map(|m| m.get().to_string()),
                    _ => f.stands.angles_in_words(),
                });
                assert!(written.is_some() && written == typed, "{key} {text}: {written:?} {typed:?}");
            }
            (Err(written), Err(typed)) => assert_eq!(written.to_string(), format!("x, line 2: {typed}"), "{text}"),
            (written, typed) => panic!("{key} {text}: {written:?} {typed:?}"),
        }
    }
}

#[test]
fn what_has_no_place_is_refused_and_nothing_is_saved() {
    let (_home, path) = nowhere();
    for (thing, part) in [
        (
            told("rim", &[("height", "2 m")]),
            "nothing on the set with the name 'rim': there is Key, background and silver card",
        ),
        (told("silver card", &[("modifier", "none")]), "modifier: a reflector has none"),
        (told("silver card", &[("angle", "40 right")]), "angle: '40 right' is on the other side: side says left"),
    ] {
        let said = write(&path, &set(&path).unwrap(), &thing).unwrap_err().to_string();
        assert!(said.contains(part), "{said}");
    }
    let many = vec!["a".to_owned(); 21];
    assert!(write_notes(&path, Some(&many)).unwrap_err().to_string().contains("more than 20 notes"));
    assert!(write_notes(&path, Some(&["a\nb".to_owned()])).unwrap_err().to_string().contains("on one line"));
    assert!(!path.exists());
}

#[test]
fn a_wrong_file_is_said_with_its_line_and_a_name_that_is_gone_is_told() {
    let (_home, path) = nowhere();
    for (text, parts) in [
        (
            "groups:\n- name: background\n  angle: 45 left and 30 right\n- name: Key\n  angle: 45\n",
            ["x.typed.yaml, line 5: angle", "45"],
        ),
        ("# typed\ngroups:\n- name: Key\n  modifer: x\n", ["line 4: modifer", "unknown key"]),
        ("notes: [a, \"b\\tc\"]\n", ["line 1: notes", "printable"]),
        ("groups: key\n", ["line 1: groups", "write a list"]),
        ("lights: []\n", ["line 1: lights", "unknown key"]),
    ] {
        std::fs::write(&path, text).unwrap();
        let said = set(&path).unwrap_err();
        assert!(parts.iter().all(|part| said.contains(part)) && said.lines().count() == 1, "{text}: {said}");
        let refused = write(&path, &Config::parse(SET, "x").unwrap(), &told("Key", &[("note", "x")]));
        let is_syntax = text.contains("modifer") || text.starts_with("groups: key") || text.starts_with("lights");
        assert_eq!(refused.is_err(), is_syntax, "nobody's words are written over: {text}");
    }
    std::fs::write(&path, "groups:\n- name: rim\n  height: 2 m\n").unwrap();
    let config = set(&path).unwrap();
    assert!(config.remarks[0].contains("of rim is shown nowhere"), "{:?}", config.remarks);
}

/// Two angles were right for two lights; one was taken away since.
#[test]
fn what_fits_no_more_is_left_out_and_told() {
    let (_home, path) = nowhere();
    std::fs::write(
        &path,
        "groups:\n- name: Key\n  angle: 45 left and 30 right\n  height: 2 m\npassive:\n- name: silver card\n  gel_colour: warm\n  \
         angle: 60 right\n",
    )
    .unwrap();
    let config = set(&path).unwrap();
    let key = &config.groups[0].facts.stands;
    assert_eq!(key.height.map(|m| m.get()), Some(2.0), "the other facts are taken up");
    assert_eq!(key.angles_in_words().as_deref(), Some("45° left"), "as the configuration says");
    let parts = ["angle of Key", "angle of silver card", "gel_colour of silver card"];
    assert_eq!(config.remarks.len(), parts.len(), "{:?}", config.remarks);
    for (remark, part) in config.remarks.iter().zip(parts) {
        assert!(remark.starts_with(part) && remark.contains("is left out: "), "{remark}");
    }
    write(&path, &config, &told("Key", &[("note", "x")])).unwrap();
    assert_eq!(set(&path).unwrap().groups[0].facts.note.as_deref(), Some("x"));
}
