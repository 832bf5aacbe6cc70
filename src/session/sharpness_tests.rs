//! What frames of known sharpness come to over the apertures.

use super::*;
use crate::photometry::Series;
use crate::session::measured_sharpness::SpotDetail;
use crate::sharpness::{Pixels, Share, Untold};

fn f(n: f64) -> Option<FNumber> {
    FNumber::new(n, None, Series::Thirds)
}

/// A frame against another, with what each spot keeps.
fn frame(number: u64, n: f64, against: (&str, f64), shares: [(&str, f64); 3]) -> MeasuredSharpness {
    let spot = |(spot, share): (&str, f64)| {
        let detail = Share { share, least: share, most: share };
        // Below a tenth of a pixel it may be chance.
        let blur = 1.0 - share;
        let told =
            SpotDetail { detail, blur: Pixels(blur), blur_least: Pixels(blur - 0.1), blur_most: Pixels(blur + 0.1) };
        SpotSharpness { spot: spot.to_owned(), area: Area::WHOLE, told: Some(told), untold: None }
    };
    MeasuredSharpness {
        frame: FrameNumber::new(number),
        file: format!("{number}.jpg"),
        f_number: f(n),
        look: "main".to_owned(),
        reference: "1.jpg".to_owned(),
        against: Sharpest { frame: None, file: against.0.to_owned(), f_number: f(against.1) },
        spots: shares.map(spot).to_vec(),
        cause: None,
        is_sharpest: false,
        fault: None,
    }
}

fn fold(all: &[MeasuredSharpness]) -> Sharpness {
    let mut sharpness = Sharpness::default();
    all.iter().for_each(|measured| sharpness.apply(&Body::Sharpness(Box::new(measured.clone()))));
    sharpness
}

const REFERENCE: (&str, f64) = ("1.jpg", 14.0);

#[test]
fn a_frame_is_told_in_one_line_and_its_apertures_in_one_each() {
    let wide = frame(3, 4.0, REFERENCE, [("eyes", 0.98), ("lips", 0.8), ("ear", 0.41)]);
    assert_eq!(wide.in_words().unwrap(), "eyes 100 %, lips 80 %, ear 41 % of f/14's detail");
    let same = frame(4, 14.0, REFERENCE, [("eyes", 1.0), ("lips", 1.0), ("ear", 0.004)]);
    assert_eq!(same.in_words().unwrap(), "eyes 100 %, lips 100 %, ear < 1 % of the detail of 1.jpg");
    let sharpness = fold(&[frame(2, 5.6, REFERENCE, [("eyes", 1.0), ("lips", 0.9), ("ear", 0.7)]), wide]);
    assert_eq!(
        sharpness.in_words("main", "1.jpg"),
        [
            "3.jpg: eyes 100 %, lips 80 %, ear 41 % of f/14's detail",
            "f/5.6 keeps eyes, lips and ear; f/4 loses ear (kept: at least half of the finest detail).",
            "f/4: eyes 100 %, lips 80 %, ear 41 %",
            "f/5.6: eyes 100 %, lips 100 %, ear 70 %",
            "f/14: eyes 100 %, lips 100 %, ear 100 %",
        ]
    );
    assert!(sharpness.in_words("another", "1.jpg").is_empty());
    assert!(sharpness.in_words("main", "9.jpg").is_empty(), "another sitter's");
}

#[test]
fn a_sharper_frame_makes_the_others_less_and_another_reference_begins_anew() {
    let sharper = MeasuredSharpness {
        is_sharpest: true,
        ..frame(3, 8.0, REFERENCE, [("eyes", 1.0), ("lips", 1.0), ("ear", 2.0)])
    };
    let soft = frame(2, 4.0, REFERENCE, [("eyes", 1.0), ("lips", 0.5), ("ear", 0.6)]);
    let all = [soft, sharper];
    let look = fold(&all).looks["main"].clone();
    let ear = |n: f64| look.apertures.iter().find(|at| Some(at.f_number) == f(n)).unwrap().share_of("ear").unwrap();
    assert_eq!([ear(4.0), ear(14.0), ear(8.0)], [0.3, 0.5, 1.0]);
    assert_eq!(look.sharpest.as_ref().unwrap().0.file, "3.jpg");
    let anew = MeasuredSharpness {
        reference: "9.jpg".to_owned(),
        ..frame(9, 4.0, ("9.jpg", 5.6), [("eyes", 1.0), ("lips", 1.0), ("ear", 1.0)])
    };
    let look = fold(&[all[0].clone(), all[1].clone(), anew]).looks["main"].clone();
    assert_eq!(look.sharpest, None);
    let mut redrawn = fold(&all);
    redrawn.looks.values_mut().for_each(LookSharpness::forget);
    let look_redrawn = &redrawn.looks["main"];
    assert!(look_redrawn.sharpest.is_none() && look_redrawn.apertures.iter().all(|at| at.detail.is_empty()));
    assert_eq!(look.apertures.iter().filter(|at| !at.detail.is_empty()).count(), 2);
}

#[test]
fn one_frame_stands_for_each_aperture_and_the_one_that_was_the_sharpest_before_for_its_own() {
    let soft = frame(2, 4.0, REFERENCE, [("eyes", 0.9), ("lips", 0.5), ("ear", 0.4)]);
    let better = frame(3, 4.0, REFERENCE, [("eyes", 1.0), ("lips", 0.6), ("ear", 0.4)]);
    let worse = frame(4, 4.0, REFERENCE, [("eyes", 1.0), ("lips", 0.1), ("ear", 0.4)]);
    let shown = |all: &[MeasuredSharpness], base: f64| -> Vec<String> {
        let name = |column: &Column| match column {
            Column::Base => "base".to_owned(),
            Column::Best(n, best) => {
                format!("{n} {} {:?}", best.file, best.spots.iter().filter_map(|of| of.kept).collect::<Vec<_>>())
            }
        };
        fold(all).looks["main"].columns(f(base)).iter().map(name).collect()
    };
    let all = [soft, better, worse].map(|mut measured| {
        measured.against.frame = Some(FrameNumber::new(1));
        measured
    });
    assert_eq!(shown(&all, 14.0), ["base", "f/4 3.jpg [1.0, 0.6, 0.4]"]);
    let mut sharper = frame(5, 8.0, REFERENCE, [("eyes", 1.0), ("lips", 1.0), ("ear", 2.0)]);
    (sharper.is_sharpest, sharper.against.frame) = (true, Some(FrameNumber::new(1)));
    let all: Vec<MeasuredSharpness> = all.into_iter().chain([sharper]).collect();
    assert_eq!(shown(&all, 8.0), ["f/14 1.jpg [1.0, 1.0, 0.5]", "base", "f/4 3.jpg [1.0, 0.6, 0.2]"]);
}

#[test]
fn a_spot_too_blurred_for_a_width_is_lost_at_that_aperture() {
    let mut wide = frame(3, 1.4, REFERENCE, [("eyes", 1.0), ("lips", 1.0), ("ear", 1.0)]);
    (wide.spots[2].told, wide.spots[2].untold) = (None, Some(Untold::TooBlurred));
    assert_eq!(wide.in_words().unwrap(), "eyes 100 %, lips 100 %, ear < 1 % of f/14's detail");
    assert_eq!(
        fold(&[wide]).looks["main"].suggestion().unwrap(),
        "f/14 keeps eyes, lips and ear; f/1.4 loses ear (kept: at least half of the finest detail)."
    );
}

#[test]
fn a_spot_that_is_not_told_has_a_question_mark() {
    let mut measured = frame(2, 4.0, REFERENCE, [("eyes", 1.0), ("lips", 1.0), ("ear", 1.0)]);
    (measured.spots[2].told, measured.spots[2].untold) = (None, Some(Untold::Clipped));
    assert_eq!(measured.in_words().unwrap(), "eyes 100 %, lips 100 %, ear ? of f/14's detail");
    assert_eq!(measured.untold(), [format!("? ear: {}", Untold::Clipped)]);
    measured.spots.iter_mut().for_each(|spot| (spot.told, spot.untold) = (None, Some(Untold::Moved)));
    assert_eq!(measured.in_words(), None);
    let why = format!("? eyes, lips and ear: {}", Untold::Moved);
    let said = fold(&[measured.clone()]).in_words("main", "1.jpg");
    assert_eq!(said, ["2.jpg: it can't be told of any spot", &why]);
    measured.fault = Some("1.jpg: it is gone".to_owned());
    assert_eq!(fold(&[measured]).in_words("main", "1.jpg"), ["2.jpg: it can't be told: 1.jpg: it is gone"]);
}

/// Halves and quarters by hand: what is 0.3 of all is 0.6 of what is half of all.
#[test]
fn where_the_sharpest_frame_is_gone_the_next_takes_its_place_and_the_others_keep_more() {
    let first = frame(2, 5.6, REFERENCE, [("eyes", 1.0), ("lips", 0.8), ("ear", 0.5)]);
    let soft = frame(3, 4.0, REFERENCE, [("eyes", 1.0), ("lips", 0.4), ("ear", 0.3)]);
    let look = fold(&[first.clone(), soft.clone()]).looks["main"].clone();
    let next = |gone: &[u64]| {
        let next = look.next_sharpest(|frame| gone.contains(&frame.get()));
        next.map(|(n, best)| (n.marked(), best.file.clone()))
    };
    assert_eq!(next(&[1]), Some((5.6, "2.jpg".to_owned())));
    assert_eq!((next(&[1, 2]), next(&[2, 3])), (Some((4.0, "3.jpg".to_owned())), None));
    let mut later = frame(4, 2.8, ("2.jpg", 5.6), [("eyes", 0.8), ("lips", 0.5), ("ear", 0.2)]);
    later.against.frame = Some(FrameNumber::new(2));
    let look = fold(&[first, soft, later]).looks["main"].clone();
    assert_eq!(look.sharpest.as_ref().unwrap().0.file, "2.jpg");
    let of = |n: f64| {
        let at = look.apertures.iter().find(|at| Some(at.f_number) == f(n)).unwrap();
        ["eyes", "lips", "ear"].map(|spot| at.share_of(spot).unwrap())
    };
    assert_eq!((of(4.0), of(5.6), of(2.8)), ([1.0, 0.5, 0.6], [1.0; 3], [0.8, 0.5, 0.2]));
}
