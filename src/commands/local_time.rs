//! Times as people read them: local, with the offset from UTC beside them.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::frame::Captured;

/// '2026-03-02 10:00:20 +01:00'.
pub fn with_offset(at: Timestamp, zone: &TimeZone) -> String {
    at.to_zoned_datetime(zone.clone()).strftime("%Y-%m-%d %H:%M:%S %:z").to_string()
}

/// '2026-03-02T10:00:20+01:00' (ISO 8601), for programs.
pub fn for_programs(at: Timestamp, zone: &TimeZone) -> String {
    at.to_zoned_datetime(zone.clone()).strftime("%Y-%m-%dT%H:%M:%S%:z").to_string()
}

/// '2 March 2026'.
pub fn day(at: Timestamp, zone: &TimeZone) -> String {
    at.to_zoned_datetime(zone.clone()).strftime("%-d %B %Y").to_string()
}

/// '10:00'.
pub fn clock(at: Timestamp, zone: &TimeZone) -> String {
    at.to_zoned_datetime(zone.clone()).strftime("%H:%M").to_string()
}

/// '+01:00'.
pub fn offset(at: Timestamp, zone: &TimeZone) -> String {
    at.to_zoned_datetime(zone.clone()).strftime("%:z").to_string()
}

/// By the camera's own clock; without an offset where the camera tells none.
pub fn of_camera(captured: &Captured) -> String {
    let local = captured.local.strftime("%Y-%m-%d %H:%M:%S");
    captured.offset.as_ref().map_or_else(|| local.to_string(), |offset| format!("{local} {offset}"))
}
