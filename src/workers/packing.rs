//! A worker's answer as it goes through its pipe: a header, and the pixels behind it.
//!
//! What comes out is what went in, to the last bit.

use std::io::{Read, Write};

use jiff::civil::DateTime;
use serde::{Deserialize, Serialize};

use super::Answer;
use super::framing::{Broken, receive_reals, send_reals};
use crate::container::Fingerprints;
use crate::frame::{Colour, Cut, Frame, MOST_CUTS, Picture, Proxy, Rectangle, Settings, Space};
use crate::intake::FileState;
use crate::photometry::{ExposureTime, FNumber, Stops};

/// The largest picture that is looked at has fewer when it is reduced.
const MOST_PIXELS: usize = 10_000_000;
/// So many notes of so many characters fit into a header.
const MOST_NOTES: usize = 64;
const LONGEST_NOTE: usize = 2000;

/// An answer without its pixels.
#[derive(Serialize, Deserialize)]
pub(super) struct AnswerHeader {
    state: FileState,
    fingerprints: Option<Fingerprints>,
    captured: Option<DateTime>,
    tail_missing: bool,
    perhaps_unfinished: Option<String>,
    frame: Option<FrameHeader>,
    cuts: Vec<CutHeader>,
}

#[derive(Serialize, Deserialize)]
struct FrameHeader {
    settings: Settings,
    exact: Exact,
    notes: Vec<String>,
    picture: Option<PictureHeader>,
    embedded: Option<PictureHeader>,
}

/// Stops are written with six decimals; through a pipe they stay what they are.
#[derive(Serialize, Deserialize)]
struct Exact {
    av: Option<f64>,
    tv: Option<f64>,
    exposure_bias: Option<f64>,
}

/// What the numbers behind the header are.
#[derive(Serialize, Deserialize)]
struct PictureHeader {
    width: usize,
    height: usize,
    space: Space,
    linear: bool,
}

/// A piece at full resolution.
#[derive(Serialize, Deserialize)]
struct CutHeader {
    picture: PictureHeader,
    spot: Rectangle,
    frame: [usize; 2],
}

/// The header, and what follows it: the frame's pixels, then those of its pieces.
pub(super) fn taken_apart(answer: Answer) -> (AnswerHeader, Vec<Picture>) {
    let Answer { state, fingerprints, captured, tail_missing, perhaps_unfinished, frame, cuts } = answer;
    let mut pixels = Vec::new();
    let frame = frame.map(|Frame { settings, picture, embedded, notes }| {
        let [claim, embedded_claim] = [&picture, &embedded].map(|picture| picture.as_ref().map(PictureHeader::of));
        pixels.extend(picture.into_iter().chain(embedded));
        let exact = Exact {
            av: settings.f_number.map(|n| n.av().0),
            tv: settings.exposure_time.map(|t| t.tv().0),
            exposure_bias: settings.exposure_bias.map(|b| b.0),
        };
        let notes = notes.iter().take(MOST_NOTES).map(|note| note.chars().take(LONGEST_NOTE).collect()).collect();
        FrameHeader { settings, exact, notes, picture: claim, embedded: embedded_claim }
    });
    let pieces = cuts.into_iter().map(|Cut { picture, spot, frame }| {
        let header = CutHeader { picture: PictureHeader::of(&picture), spot, frame };
        pixels.push(picture);
        header
    });
    let cuts = pieces.collect();
    (AnswerHeader { state, fingerprints, captured, tail_missing, perhaps_unfinished, frame, cuts }, pixels)
}

pub(super) fn send_pixels(to: &mut impl Write, picture: &Picture) -> Result<(), Broken> {
    let Picture { proxy, colour, linear } = picture;
    send_reals(to, &colour.weights)?;
    send_reals(to, &colour.srgb_code)?;
    to.write_all(proxy.rgb.as_flattened())?;
    Ok(send_reals(to, linear.as_deref().unwrap_or_default())?)
}

impl AnswerHeader {
    /// Reads what follows the header.
    pub(super) fn put_together(self, from: &mut impl Read) -> Result<Answer, Broken> {
        let AnswerHeader { state, fingerprints, captured, tail_missing, perhaps_unfinished, frame, cuts } = self;
        let frame = match frame {
            None => None,
            Some(FrameHeader { settings, exact, notes, picture, embedded }) => Some(Frame {
                settings: exact.put_into(settings),
                picture: picture.map(|claim| claim.pixels(from)).transpose()?,
                embedded: embedded.map(|claim| claim.pixels(from)).transpose()?,
                notes,
            }),
        };
        if cuts.len() > MOST_CUTS {
            return Err(Broken::TooLong);
        }
        let cuts = cuts.into_iter().map(|cut| cut.put_together(from)).collect::<Result<_, Broken>>()?;
        Ok(Answer { state, fingerprints, captured, tail_missing, perhaps_unfinished, frame, cuts })
    }
}

impl Exact {
    fn put_into(self, settings: Settings) -> Settings {
        let f_number = settings.f_number.zip(self.av).and_then(|(n, av)| FNumber::from_parts(n.marked(), av));
        let exposure_time =
            settings.exposure_time.zip(self.tv).and_then(|(t, tv)| ExposureTime::from_parts(t.marked_seconds(), tv));
        Settings { f_number, exposure_time, exposure_bias: self.exposure_bias.map(Stops), ..settings }
    }
}

impl CutHeader {
    fn put_together(self, from: &mut impl Read) -> Result<Cut, Broken> {
        let CutHeader { picture, spot, frame } = self;
        // What is measured in the piece must lie in it.
        let fits = |from: usize, length: usize, size: usize| from.checked_add(length).is_some_and(|end| end <= size);
        if !fits(spot.left, spot.width, picture.width) || !fits(spot.top, spot.height, picture.height) {
            return Err(Broken::NotUnderstood);
        }
        Ok(Cut { picture: picture.pixels(from)?, spot, frame })
    }
}

impl PictureHeader {
    fn of(picture: &Picture) -> PictureHeader {
        let Picture { proxy, colour, linear } = picture;
        PictureHeader { width: proxy.width, height: proxy.height, space: colour.space, linear: linear.is_some() }
    }

    fn pixels(&self, from: &mut impl Read) -> Result<Picture, Broken> {
        let PictureHeader { width, height, space, linear } = *self;
        let within = width.max(height) <= MOST_PIXELS;
        let count = width.checked_mul(height).filter(|n| within && *n <= MOST_PIXELS).ok_or(Broken::TooLong)?;
        let mut weights = [0.0; 3];
        let mut srgb_code = [0.0; 256];
        receive_reals(from, &mut weights)?;
        receive_reals(from, &mut srgb_code)?;
        let mut rgb = vec![[0_u8; 3]; count];
        from.read_exact(rgb.as_flattened_mut())?;
        let linear = match linear {
            false => None,
            true => {
                let mut linear = vec![0.0; count];
                receive_reals(from, &mut linear)?;
                Some(linear)
            }
        };
        let proxy = Proxy { width, height, rgb };
        Ok(Picture { proxy, colour: Colour { space, weights, srgb_code }, linear })
    }
}

#[cfg(test)]
mod tests {
    use jiff::civil::date;
    use proptest::prelude::*;

    use super::super::framing::{receive_header, send_header};
    use super::*;
    use crate::frame::{Captured, ColourTag, FlashTag, IsoKind, Rendering};
    use crate::photometry::{Density, IsoSpeed, Metres};

    fn state() -> FileState {
        FileState { size: u64::MAX, modified_ns: i64::MIN, changed_ns: i64::MAX, inode: 7 }
    }

    fn picture(width: usize, height: usize, linear: bool) -> Picture {
        let rgb = (0..width * height).map(|at| [at as u8, (at >> 8) as u8, 77]).collect();
        let linear = linear.then(|| (0..width * height).map(|at| at as f32 / 3.0).collect());
        let colour = Colour { space: Space::AdobeRgb, weights: [0.1, 0.7, 0.2], srgb_code: [1.0 / 3.0; 256] };
        Picture { proxy: Proxy { width, height, rgb }, colour, linear }
    }

    fn answer(settings: Settings, picture: Option<Picture>) -> Answer {
        let fingerprints = Some(Fingerprints { whole: Some(u64::MAX), sampled: 1 << 63, head: u32::MAX });
        let captured = settings.captured.as_ref().map(|c| c.local);
        let notes = vec!["a note".to_owned()];
        Answer {
            state: state(),
            fingerprints,
            captured,
            tail_missing: true,
            perhaps_unfinished: Some("its last page is not written".to_owned()),
            frame: Some(Frame { settings, embedded: picture.clone(), picture, notes }),
            cuts: Vec::new(),
        }
    }

    fn sent(answer: Answer) -> Vec<u8> {
        let mut bytes = Vec::new();
        let (header, pictures) = taken_apart(answer);
        send_header(&mut bytes, &header).unwrap();
        pictures.iter().for_each(|picture| send_pixels(&mut bytes, picture).unwrap());
        bytes
    }

    fn received(mut bytes: &[u8]) -> Result<Answer, Broken> {
        receive_header::<AnswerHeader>(&mut bytes)?.put_together(&mut bytes)
    }

    fn settings() -> impl Strategy<Value = Settings> {
        let real = || prop::option::of(-1e6..1e6_f64);
        let exposure =
            (prop::option::of((0.5..256.0_f64, -20.0..20.0_f64)), prop::option::of((1e-5..900.0_f64, -20.0..20.0_f64)));
        let when = prop::option::of((0..999_999_999_i32, any::<bool>(), prop::option::of("[+-][0-9]{2}:[0-9]{2}")));
        let text = || prop::option::of(".{0,256}");
        let texts = (text(), text(), text());
        let words = (0..4_usize, 0..4_usize, 0..4_usize, 1..=8_u8, any::<bool>());
        let more = (prop::option::of(1.0..1e7_f64), real(), real(), prop::option::of(1e-3..1e5_f64));
        (exposure, when, texts, words, more).prop_map(
            |((n, t), when, (camera, body, lens), words, (iso, bias, focal, far))| {
                let (iso_kind, flash, colour, orientation, per_frame) = words;
                Settings {
                    f_number: n.and_then(|(mark, av)| FNumber::from_parts(mark, av)),
                    exposure_time: t.and_then(|(mark, tv)| ExposureTime::from_parts(mark, tv)),
                    iso: iso.and_then(IsoSpeed::new),
                    iso_kind: [
                        IsoKind::StandardOutputSensitivity,
                        IsoKind::RecommendedExposureIndex,
                        IsoKind::IsoSpeed,
                    ]
                    .get(iso_kind)
                    .copied(),
                    exposure_bias: bias.map(Stops),
                    flash: [FlashTag::Fired, FlashTag::NotFired, FlashTag::NoFlashFunction].get(flash).copied(),
                    captured: when.map(|(nanos, sub_seconds, offset)| Captured {
                        local: date(2026, 2, 28).at(23, 59, 59, nanos),
                        offset,
                        sub_seconds,
                    }),
                    camera,
                    body,
                    lens,
                    focal_length_mm: focal,
                    subject_distance: far.and_then(Metres::new),
                    colour_space: [ColourTag::Srgb, ColourTag::AdobeRgb, ColourTag::Uncalibrated].get(colour).copied(),
                    orientation,
                    rendering: if per_frame { Rendering::PerFrame } else { Rendering::Fixed },
                    filter: Density::default(),
                }
            },
        )
    }

    proptest! {
        #[test]
        fn settings_come_through_as_they_are(settings in settings()) {
            let back = received(&sent(answer(settings.clone(), None))).unwrap();
            prop_assert_eq!(back.captured, settings.captured.as_ref().map(|c| c.local));
            prop_assert_eq!(back.frame.unwrap().settings, settings);
        }
    }

    #[test]
    fn pixels_come_through_as_they_are() {
        for linear in [false, true] {
            let picture = picture(97, 61, linear);
            let back = received(&sent(answer(Settings::default(), Some(picture.clone())))).unwrap();
            assert_eq!((back.state, back.tail_missing), (state(), true));
            let frame = back.frame.unwrap();
            for back in [frame.picture.unwrap(), frame.embedded.unwrap()] {
                assert_eq!(back.proxy, picture.proxy);
                assert_eq!((back.colour.space, back.colour.weights), (picture.colour.space, picture.colour.weights));
                assert_eq!((back.colour.srgb_code, &back.linear), (picture.colour.srgb_code, &picture.linear));
            }
        }
    }

    #[test]
    fn pieces_come_through_behind_the_frame_and_must_hold_their_spot() {
        let cut = |[left, top, width, height]: [usize; 4]| {
            let spot = Rectangle { left, top, width, height };
            Cut { picture: picture(40, 30, true), spot, frame: [6000, 4000] }
        };
        let cuts =
            |spot| Answer { cuts: vec![cut(spot); 2], ..answer(Settings::default(), Some(picture(9, 7, false))) };
        let back = received(&sent(cuts([5, 4, 30, 20]))).unwrap();
        assert_eq!(back.frame.unwrap().picture.unwrap().proxy, picture(9, 7, false).proxy);
        assert_eq!(back.cuts.len(), 2);
        assert!(
            back.cuts.iter().all(|cut| cut.picture.proxy == picture(40, 30, true).proxy && cut.frame == [6000, 4000])
        );
        assert!(matches!(received(&sent(cuts([20, 4, 30, 20]))), Err(Broken::NotUnderstood)));
        let many = Answer { cuts: vec![cut([0; 4]); MOST_CUTS + 1], ..answer(Settings::default(), None) };
        assert!(matches!(received(&sent(many)), Err(Broken::TooLong)));
    }

    #[test]
    fn an_answer_that_breaks_off_is_none() {
        let whole = sent(answer(Settings::default(), Some(picture(4, 3, true))));
        for cut in 0..whole.len() {
            assert!(received(&whole[..cut]).is_err(), "cut at {cut}");
        }
    }

    #[test]
    fn what_a_header_claims_is_not_believed() {
        let mut huge = u32::MAX.to_le_bytes().to_vec();
        huge.resize(1 << 21, b' ');
        assert!(matches!(received(&huge), Err(Broken::TooLong)));
        for (width, height) in [(1 << 31, 1_usize << 31), (usize::MAX, 2), (MOST_PIXELS + 1, 1), (usize::MAX, 0)] {
            let small = sent(answer(Settings::default(), Some(picture(1, 1, false))));
            let length = u32::from_le_bytes(*small.first_chunk().unwrap()) as usize;
            let claim = format!("\"width\":{width},\"height\":{height}");
            let header = String::from_utf8(small[4..4 + length].to_vec()).unwrap();
            let header = header.replace("\"width\":1,\"height\":1", &claim);
            let lie = [&(header.len() as u32).to_le_bytes(), header.as_bytes(), &[0; 4096]].concat();
            assert!(matches!(received(&lie), Err(Broken::TooLong)), "{claim}");
        }
    }

    #[test]
    fn many_and_long_notes_are_cut_to_what_may_be_said() {
        let mut answer = answer(Settings::default(), None);
        answer.frame.as_mut().unwrap().notes = vec!["\u{1}".repeat(1 << 20); 100];
        let notes = received(&sent(answer)).unwrap().frame.unwrap().notes;
        assert_eq!((notes.len(), notes[0].chars().count()), (MOST_NOTES, LONGEST_NOTE));
    }
}
