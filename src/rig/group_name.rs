//! The name of a light group: by it people, records and the configuration speak of the same lights.

use std::borrow::Borrow;
use std::fmt;
use std::sync::Arc;

use serde::{Deserialize, Serialize};

/// A light group's name, letter for letter. That there is such a group is for whoever looks it up.
///
/// Cheap to copy: the sitting is copied for every decision, and its names with it.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct GroupName(Arc<str>);

impl GroupName {
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl From<&str> for GroupName {
    fn from(name: &str) -> GroupName {
        GroupName(name.into())
    }
}

impl From<String> for GroupName {
    fn from(name: String) -> GroupName {
        GroupName(name.into())
    }
}

/// So that names are looked up by text, and joined.
impl Borrow<str> for GroupName {
    fn borrow(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for GroupName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

impl AsRef<str> for GroupName {
    fn as_ref(&self) -> &str {
        &self.0
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use super::*;

    #[test]
    fn it_is_written_and_read_as_bare_text_letter_for_letter() {
        let powers: BTreeMap<GroupName, u8> = BTreeMap::from([("key".into(), 1), ("Key ".into(), 2)]);
        let text = serde_json::to_string(&powers).unwrap();
        assert_eq!(text, r#"{"Key ":2,"key":1}"#);
        assert_eq!(serde_json::from_str::<BTreeMap<GroupName, u8>>(&text).unwrap(), powers);
        assert_eq!((powers.get("key"), powers.get("Key"), powers.get("Key ")), (Some(&1), None, Some(&2)));
    }
}
