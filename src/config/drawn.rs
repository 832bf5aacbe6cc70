//! Spots drawn on the picture: kept in a file of their own beside the configuration, whose own
//! text and comments stay as they are.

use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::written_spot::{MOST_SPOTS, checked_name};
use super::{Config, ConfigError, own_files};
use crate::meter::{Area, CENTRE, Spot, WHOLE};

const HEAD: &str = "\
# Spots drawn on greyhold's page. A spot here stands in for one of the same name in the configuration;
# delete it here to go by the configuration again. greyhold writes this file, comments in it are not kept.
";

/// Its name beside the shot log, where there is no configuration to keep it beside.
const BESIDE_LOG: &str = "greyhold-spots.yaml";

/// A place that can't be a spot, or a file that doesn't take it.
#[derive(Debug, thiserror::Error)]
pub enum DrawnError {
    #[error("a spot's sides are fractions of the frame, 0 to 1, left before right and top before bottom")]
    NoArea,
    #[error("{0}")]
    NoName(String),
    #[error("the spot '{0}' has its fixed place: draw another")]
    Ready(String),
    #[error("there are {MOST_SPOTS} drawn spots already: remove one first")]
    TooMany,
    #[error("{0}")]
    Unreadable(#[from] ConfigError),
    #[error("the drawn spots can't be saved in {path}: {cause}")]
    Unwritable { path: String, cause: std::io::Error },
}

#[derive(Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    #[serde(default)]
    spots: Vec<Drawn>,
}

#[derive(Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Drawn {
    name: String,
    #[serde(flatten)]
    area: Area,
}

/// Where the spots that belong to a configuration are kept.
pub fn beside(config: &Path) -> PathBuf {
    config.with_extension("spots.yaml")
}

/// Where they are kept when nobody wrote a configuration.
pub fn beside_log(log: &Path) -> PathBuf {
    log.with_file_name(BESIDE_LOG)
}

fn read(path: &Path) -> Result<File, ConfigError> {
    let (drawn, _): (File, _) = own_files::read(path)?;
    if drawn.spots.len() > MOST_SPOTS {
        return Err(ConfigError::Syntax {
            file: path.display().to_string(),
            fault: format!("there are more than {MOST_SPOTS} spots: leave some out"),
        });
    }
    Ok(drawn)
}

/// The configuration with the drawn spots in it.
pub fn apply(path: &Path, config: &mut Config) -> Result<(), ConfigError> {
    for Drawn { name, area } in read(path)?.spots {
        let fault = |fault: String| ConfigError::Syntax { file: path.display().to_string(), fault };
        let spot = checked(&name, area).map_err(|e| fault(e.to_string()))?;
        match config.spots.iter_mut().find(|s| s.name == spot.name) {
            Some(known) => *known = spot,
            None => config.spots.push(spot),
        }
    }
    Ok(())
}

/// Puts a spot at a place, or takes it out of the file, and saves that.
pub fn draw(path: &Path, name: &str, area: Option<Area>) -> Result<(), DrawnError> {
    let mut file = read(path)?;
    match area {
        Some(area) => {
            let name = checked(name, area)?.name;
            file.spots.retain(|s| s.name != name);
            if file.spots.len() >= MOST_SPOTS {
                return Err(DrawnError::TooMany);
            }
            file.spots.push(Drawn { name, area });
        }
        None => file.spots.retain(|s| s.name != name),
    }
    own_files::save(path, HEAD, &file)
        .map_err(|cause| DrawnError::Unwritable { path: path.display().to_string(), cause })
}

fn checked(name: &str, Area { left, top, right, bottom }: Area) -> Result<Spot, DrawnError> {
    let area = Area::new(left, top, right, bottom).ok_or(DrawnError::NoArea)?;
    let name = checked_name(name).map_err(|wrong| DrawnError::NoName(wrong.fault))?;
    if name == WHOLE || name == CENTRE {
        return Err(DrawnError::Ready(name.to_owned()));
    }
    Ok(Spot::even(name, area))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_drawn_spot_stands_in_for_the_configured_one_and_can_be_taken_out_again() {
        let home = tempfile::tempdir().unwrap();
        let path = home.path().join("x.spots.yaml");
        let written = "spots:\n  - {name: cheek, left: 0.4, top: 0.4, right: 0.5, bottom: 0.5}\n";
        let spots = |path: &Path| {
            let mut config = Config::parse(written, "x").unwrap();
            apply(path, &mut config).unwrap();
            config.spots.iter().find(|s| s.name == "cheek").and_then(Spot::area).unwrap()
        };
        let configured = spots(&path);
        let area = Area::new(0.1, 0.2, 0.3, 0.4).unwrap();
        draw(&path, "cheek", Some(area)).unwrap();
        draw(&path, "chin", Some(area)).unwrap();
        assert_eq!(spots(&path), area);
        draw(&path, "cheek", None).unwrap();
        assert_eq!(spots(&path), configured);
        assert!(std::fs::read_to_string(&path).unwrap().contains("chin"));
    }

    #[test]
    fn what_is_no_spot_is_refused() {
        let home = tempfile::tempdir().unwrap();
        let path = home.path().join("x.spots.yaml");
        let area = Area { left: 0.1, top: 0.1, right: 0.2, bottom: 0.2 };
        for (name, area) in [
            ("whole", area),
            ("", area),
            ("a\nb", area),
            ("cheek", Area { right: 0.05, ..area }),
            ("cheek", Area { right: f64::NAN, ..area }),
        ] {
            assert!(draw(&path, name, Some(area)).is_err(), "{name:?}");
        }
        assert!(!path.exists());
    }
}
