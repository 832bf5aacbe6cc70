//! The reduced decoder on sound, damaged and random files.

use proptest::prelude::*;

use super::dc::decode;

/// How a sound file is written.
#[derive(Debug, Clone, Copy)]
struct Writing {
    width: u16,
    height: u16,
    quality: u8,
    sampling: jpeg_encoder::SamplingFactor,
    grey: bool,
    restart_every: u16,
    seed: u32,
    /// How far codes scatter.
    noise: u32,
}

fn writings() -> impl Strategy<Value = Writing> {
    use jpeg_encoder::SamplingFactor::{F_1_1, F_1_2, F_2_1, F_2_2};
    let sampling = prop::sample::select(vec![F_1_1, F_2_1, F_1_2, F_2_2]);
    let restart_every = prop_oneof![Just(0_u16), 1_u16..40];
    (1_u16..200, 1_u16..200, 20_u8..=100, sampling, any::<bool>(), restart_every, any::<u32>(), 1_u32..200).prop_map(
        |(width, height, quality, sampling, grey, restart_every, seed, noise)| Writing {
            width,
            height,
            quality,
            sampling,
            grey,
            restart_every,
            seed,
            noise,
        },
    )
}

fn jpeg(writing: &Writing) -> Vec<u8> {
    let samples = if writing.grey { 1 } else { 3 };
    let (width, height) = (usize::from(writing.width), usize::from(writing.height));
    let mut state = writing.seed | 1;
    let mut noise = || {
        state ^= state << 13;
        state ^= state >> 17;
        state ^= state << 5;
        state % writing.noise
    };
    let pixels: Vec<u8> =
        (0..width * height * samples).map(|at| ((at / 97 % 120) as u32 + noise()).min(255) as u8).collect();
    let mut bytes = Vec::new();
    let mut encoder = jpeg_encoder::Encoder::new(&mut bytes, writing.quality);
    encoder.set_sampling_factor(writing.sampling);
    if writing.restart_every > 0 {
        encoder.set_restart_interval(writing.restart_every);
    }
    let kind = if writing.grey { jpeg_encoder::ColorType::Luma } else { jpeg_encoder::ColorType::Rgb };
    encoder.encode(&pixels, writing.width, writing.height, kind).unwrap();
    bytes
}

fn libjpegs(bytes: &[u8]) -> (usize, usize, Vec<[u8; 3]>) {
    let mut decoder = mozjpeg::Decompress::new_mem(bytes).unwrap();
    decoder.scale(1);
    decoder.do_fancy_upsampling(false);
    let mut lines = decoder.rgb().unwrap();
    (lines.width(), lines.height(), lines.read_scanlines().unwrap())
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    /// CHECK: mozjpeg (libjpeg) at 1/8. Where colours are told at half size in both directions, libjpeg takes them at a
    /// quarter and this decoder at an eighth; there the luma is compared.
    #[test]
    fn a_sound_file_is_decoded_as_libjpeg_does(writing in writings()) {
        let bytes = jpeg(&writing);
        let ours = decode(&bytes).expect("it is a plain file").unwrap();
        let (width, height, theirs) = libjpegs(&bytes);
        prop_assert_eq!((ours.width, ours.height), (width, height));
        let full_colour = writing.grey || writing.sampling == jpeg_encoder::SamplingFactor::F_1_1;
        for (ours, theirs) in ours.rgb.iter().zip(&theirs).filter(|_| full_colour) {
            let worst = ours.iter().zip(theirs).map(|(a, b)| a.abs_diff(*b)).max().unwrap();
            prop_assert!(worst <= 2, "{:?} {:?}", ours, theirs);
        }
        let luma = |rgb: &[[u8; 3]]| {
            rgb.iter().map(|p| 0.299 * f64::from(p[0]) + 0.587 * f64::from(p[1]) + 0.114 * f64::from(p[2])).sum::<f64>()
                / rgb.len() as f64
        };
        // Colours out of range are cut off differently where they are told at another size.
        let off = (luma(&ours.rgb) - luma(&theirs)).abs();
        prop_assert!(off < if full_colour { 0.6 } else { 4.0 }, "{}", off);
    }

    /// Cut, flipped, zeroed or overwritten anywhere: a picture of the size it claims, a fault, or not for this decoder.
    #[test]
    fn a_damaged_file_is_no_panic(
        writing in writings(),
        damage in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>(), 1_usize..40), 0..12),
        cut in any::<prop::sample::Index>(),
        keep_whole in any::<bool>(),
    ) {
        let mut bytes = jpeg(&writing);
        // The claim stays, or most damage would be a claim that a caller refuses before.
        let claim = bytes.windows(2).position(|w| w == [0xFF, 0xC0]).unwrap();
        let size = bytes[claim..claim + 9].to_vec();
        for (at, value, length) in &damage {
            let from = at.index(bytes.len());
            let to = (from + length).min(bytes.len());
            bytes[from..to].fill(*value);
        }
        bytes[claim..claim + 9].copy_from_slice(&size);
        if !keep_whole {
            bytes.truncate(cut.index(bytes.len()) + 1);
        }
        if let Some(Ok(proxy)) = decode(&bytes) {
            prop_assert_eq!(proxy.rgb.len(), proxy.width * proxy.height);
            prop_assert_eq!(proxy.width, usize::from(writing.width).div_ceil(8));
        }
    }

    /// Nothing is read behind the end, whatever stands in front of it.
    #[test]
    fn random_bytes_behind_a_sound_head_are_no_panic(writing in writings(), data in prop::collection::vec(any::<u8>(), 0..3000)) {
        let bytes = jpeg(&writing);
        let scan = bytes.windows(2).rposition(|w| w == [0xFF, 0xDA]).unwrap();
        let length = usize::from(u16::from_be_bytes([bytes[scan + 2], bytes[scan + 3]]));
        let with_random = [&bytes[..scan + 2 + length], &data[..]].concat();
        let _ = decode(&with_random);
        let _ = decode(&[&bytes[..2], &data[..]].concat());
        let _ = decode(&data);
    }
}
