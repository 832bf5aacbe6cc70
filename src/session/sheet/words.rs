//! What a set-up sheet says, in words that all its forms share.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::{LightOnSheet, LookOnSheet, PassiveOnSheet, PowerOnSheet, RatioOnSheet, RatiosOnSheet, Sheet};
use crate::optics::distance_in_words;
use crate::photometry::Metres;
use crate::rig::{Known, Stands};
use crate::wording::counted;

/// What is said where nobody typed a thing.
pub const NOT_TYPED: &str = "not typed";
const NOT_TOLD: &str = "the photograph doesn't tell";

/// For who builds from a sheet.
pub const CAUTION: &str = "Before anything is built: weigh down stands and booms, flash heads and generators hold a dangerous charge, \
                           lamps and tubes burn. The maker's manual and local rules come first.";

/// What a thing is called, and what is known of it.
pub type Row = (&'static str, String);

impl LightOnSheet {
    /// 'fill (2 lights)'.
    pub fn title(&self) -> String {
        match self.heads {
            1 => self.group.to_string(),
            heads => format!("{} ({})", self.group, counted(heads as usize, "light")),
        }
    }

    pub fn rows(&self) -> Vec<Row> {
        let mut rows = vec![("modifier", typed(self.modifier.as_deref()))];
        rows.extend(stand_rows(&self.stands));
        rows.push(("gel", typed(self.gel.as_deref())));
        rows.extend(self.grid.clone().map(|grid| ("grid", grid)));
        rows.extend(self.note.clone().map(|note| ("note", note)));
        rows
    }
}

impl PassiveOnSheet {
    /// 'silver card (reflector)'.
    pub fn title(&self) -> String {
        format!("{} ({})", self.name, self.kind)
    }

    pub fn rows(&self) -> Vec<Row> {
        let mut rows = stand_rows(&self.stands);
        if let Some(side) = self.side.filter(|_| self.stands.angles.is_empty()) {
            rows.push(("side", format!("{side}, as the camera sees it")));
        }
        rows.extend(self.note.clone().map(|note| ("note", note)));
        rows
    }
}

impl Sheet {
    /// What was typed of the camera.
    pub fn camera_rows(&self) -> Vec<Row> {
        vec![
            ("height", length(self.camera.height)),
            ("distance", length(self.camera.distance)),
            ("lens note", typed(self.camera.lens.as_deref())),
        ]
    }
}

impl LookOnSheet {
    /// What the camera told of the reference.
    pub fn rows(&self) -> Vec<Row> {
        let settings = &self.settings;
        let told = |value: Option<String>| value.unwrap_or_else(|| NOT_TOLD.to_owned());
        let mut rows = vec![
            ("f-number", told(settings.f_number.map(|n| n.to_string()))),
            ("exposure time", told(settings.exposure_time.map(|t| t.to_string()))),
            ("ISO", told(settings.iso.map(|iso| format!("{:.0}", iso.marked())))),
            ("filter", if settings.filter.is_none() { "none".to_owned() } else { settings.filter.on_the_lens() }),
            ("focal length", told(settings.focal_length_mm.map(|mm| format!("{mm} mm")))),
            ("camera", told(settings.camera.clone())),
            ("lens", told(settings.lens.clone())),
        ];
        let distance = settings.subject_distance.map(|m| format!("{}, as the lens told", distance_in_words(m)));
        rows.extend(distance.map(|distance| ("focused at", distance)));
        rows.extend(settings.captured.as_ref().map(|at| ("shot", at.in_words())));
        rows
    }
}

impl PowerOnSheet {
    /// What its dial shows.
    pub fn setting(&self) -> &str {
        self.shown.as_deref().unwrap_or("not known")
    }

    /// How that is known.
    pub fn how(&self) -> &'static str {
        match (&self.power, self.known) {
            (None, _) => "nobody told it",
            (Some(_), None) => "how it was known is not kept",
            (Some(_), Some(known)) => how_known(known),
        }
    }
}

/// How a power is known, for a sheet.
fn how_known(known: Known) -> &'static str {
    match known {
        Known::Unknown => "not known",
        Known::Configured => "told by the configuration",
        Known::Told => "told",
        Known::SeenAsAsked => "set as asked, and the picture shows it",
        Known::ReadBySurvey => "read out of the picture",
        Known::Deduced => "deduced, if all lights changed alike",
    }
}

impl RatioOnSheet {
    /// '3.0:1 (key and fill to fill alone): key 1 stop over fill'.
    fn in_words(&self) -> String {
        let RatioOnSheet { over, under, stops, to_one, is_measured } = self;
        let size = match stops.0 {
            stops if stops.abs() < 0.05 => format!("{over} as strong as {under}"),
            stops_over => {
                let which = if stops_over > 0.0 { "over" } else { "under" };
                format!("{over} {} {which} {under}", stops.size_in_words())
            }
        };
        let how =
            if *is_measured { "measured" } else { "measured with the dials elsewhere, and their turns counted in" };
        format!("{to_one:.1}:1 ({over} and {under} to {under} alone), {size}; {how}")
    }
}

impl RatiosOnSheet {
    pub fn in_words(&self) -> Vec<String> {
        let place = self.place.as_ref().map_or_else(String::new, |place| format!(", {place}"));
        let ratios = self.ratios.iter().map(|ratio| format!("{}{place}", ratio.in_words()));
        ratios.chain(self.why_not.clone()).collect()
    }
}

fn stand_rows(stands: &Stands) -> Vec<Row> {
    vec![
        ("height", length(stands.height)),
        ("distance", length(stands.distance)),
        ("angle", typed(stands.angles_in_words().as_deref())),
    ]
}

fn typed(text: Option<&str>) -> String {
    text.unwrap_or(NOT_TYPED).to_owned()
}

fn length(metres: Option<Metres>) -> String {
    metres.map_or_else(|| NOT_TYPED.to_owned(), distance_in_words)
}

impl Sheet {
    /// Those that were typed of the set, then those of the log with their day, in the zone where they are read.
    pub fn notes_in_words(&self, zone: &TimeZone) -> Vec<String> {
        let local = |at: Timestamp| at.to_zoned_datetime(zone.clone()).strftime("%Y-%m-%d %H:%M %:z");
        let logged = self.log_notes.iter().map(|note| format!("{}: {}", local(note.at), note.text));
        self.set_notes.iter().cloned().chain(logged).collect()
    }
}
