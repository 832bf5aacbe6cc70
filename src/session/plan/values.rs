//! A plan for programs, and for the page: one object. Lengths have their unit in the key; light is in stops.

use serde_json::{Value, json};

use super::{DepthRange, Lens, Plan, end_in_words, shown};
use crate::advice::{Powers, is_out, together};
use crate::optics::{Depth, distance_in_words};
use crate::photometry::FNumber;
use crate::rig::{DialChange, LightGroup};

impl Plan {
    pub fn value(&self) -> Value {
        json!({
            "from": self.from,
            "assumed": self.assumed,
            "groups": self.groups.iter().map(of_group).collect::<Vec<_>>(),
            "apertures": self.powers.iter().map(|at| self.of_aperture(at)).collect::<Vec<_>>(),
            "lens": self.lens.as_ref().map(of_lens),
            "room": self.room.as_ref().map(|room| json!({"limit": room.limit, "in_words": self.of_the_room()})),
            "notes": self.of_the_times(),
        })
    }

    fn of_aperture(&self, at: &Powers) -> Value {
        json!({
            "settings": at.settings,
            "f_number": at.settings.f_number.map(|n| n.to_string()),
            "wanted": at.correction.wanted,
            "dial_changes": at.correction.dial_changes,
            "lights": at.correction.dial_changes.iter().map(of_light).collect::<Vec<_>>(),
            "ratio_error": at.correction.ratio_error,
            "out_of_range": at.is_out_of_range(),
            "end_in_words": end_in_words(at),
            "way_round": of_way_round(at),
            "room": at.room,
            "room_in_words": at.room.map(|room| room.in_per_cent()),
            "recycling": at.recycling,
            "sharpness": self.lens.as_ref().zip(at.settings.f_number).map(|(lens, n)| of_sharpness(lens, n)),
        })
    }
}

/// What was told of it.
fn of_group(group: &LightGroup) -> Value {
    json!({
        "group": group.name,
        "in_front": group.facts.in_front,
        "recycle_time_seconds": group.facts.recycle_time,
        "flash_duration_seconds": group.facts.flash_duration,
    })
}

/// As a screen shows it.
fn of_light(change: &DialChange) -> Value {
    let out = is_out(change).then(|| change.remainder.too_weak_or_strong());
    json!({"group": change.group, "power": shown(change), "out": out})
}

fn of_way_round(at: &Powers) -> Option<Value> {
    let way = at.way_round.as_ref()?;
    Some(json!({
        "in_words": way.in_words(&at.settings),
        "settings": way.settings,
        "filters": way.filters,
        "filter_density": (!way.filters.is_empty()).then(|| together(&way.filters)),
        "at_lights": way.at_lights,
        "dial_changes": way.correction.dial_changes,
    }))
}

fn of_sharpness(lens: &Lens, n: FNumber) -> Value {
    let (sharp, circle) = (lens.subject.at(n), lens.subject.circle());
    let parts = lens.subject.parts().iter().zip(&sharp.blur).map(|(part, blur)| {
        json!({
            "name": part.name,
            "depth_metres": part.depth,
            "blur_micrometres": blur,
            "blur_circles_of_confusion": blur.times(circle.diameter()),
            "blur_pixels": lens.pixel.map(|pixel| blur.times(pixel)),
            "sharp": circle.holds(*blur),
        })
    });
    json!({
        "near_metres": sharp.near,
        "far_metres": sharp.far,
        "total_metres": sharp.total(),
        "in_words": sharp.total_in_words(),
        "drawn": DepthRange::of(lens).sharp(&sharp),
        "effective_f_number": lens.subject.focus().effective(n),
        "airy_disk_micrometres": sharp.airy,
        "airy_disk_pixels": lens.pixel.map(|pixel| sharp.airy.times(pixel)),
        "parts": parts.collect::<Vec<_>>(),
    })
}

fn of_lens(lens: &Lens) -> Value {
    let (subject, focus, marks) = (&lens.subject, lens.subject.focus(), lens.marks());
    let marked = |n: Option<FNumber>| n.map(FNumber::marked);
    let range = DepthRange::of(lens);
    let parts = subject.parts().iter().map(|part| (part.name.as_str(), part.depth));
    let drawn =
        parts.chain([("eyes", Depth::ZERO)]).map(|(name, depth)| json!({"name": name, "at": range.place(depth)}));
    json!({
        "focal_length_millimetres": focus.focal_length(),
        "distance_metres": focus.distance(),
        "magnification": focus.magnification().0,
        "light_lost": focus.light_lost(),
        "sensor_millimetres": [lens.sensor.width(), lens.sensor.height()],
        "pixel_micrometres": lens.pixel,
        "circle_of_confusion_micrometres": subject.circle().diameter(),
        "widest_f_number_with_all_sharp": marked(marks.widest),
        "diffraction_passes_circle_from_f_number": marked(marks.passes_circle),
        "diffraction_passes_pixel_from_f_number": marked(marks.passes_pixel),
        "drawn_parts": drawn.collect::<Vec<_>>(),
        "in_words": format!("{} at {}", focus.focal_length(), distance_in_words(focus.distance())),
    })
}
