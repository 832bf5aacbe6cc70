//! Marked numbers against the published tables. Places follow from the definitions of APEX (Exif 2.32, annex);
//! the marks themselves are those that cameras print (ISO 517, ISO 516 and ISO 12232, from memory).

use greyhold::drift::{Lighting, expected};
use greyhold::frame::Settings;
use greyhold::photometry::{Dial, ExposureTime, FNumber, IsoSpeed, Scale, Series, Step, Stops};

fn near(a: f64, b: f64, what: &str) {
    assert!((a - b).abs() < 1e-9, "{what}: {a} is not {b}");
}

/// CHECK: third-stop f-numbers, N = 2^(i/6): mark and exact aperture value.
#[test]
fn third_stop_f_numbers() {
    let marks = [
        1.0, 1.1, 1.2, 1.4, 1.6, 1.8, 2.0, 2.2, 2.5, 2.8, 3.2, 3.5, 4.0, 4.5, 5.0, 5.6, 6.3, 7.1, 8.0, 9.0, 10.0, 11.0,
        13.0, 14.0, 16.0, 18.0, 20.0, 22.0, 25.0, 29.0, 32.0,
    ];
    for (i, mark) in marks.iter().enumerate() {
        let n = FNumber::new(*mark, None, Series::Thirds).unwrap();
        near(n.av().0, i as f64 / 3.0, &n.to_string());
        near(n.exact(), (i as f64 / 6.0).exp2(), &n.to_string());
    }
}

/// CHECK: half-stop f-numbers, N = 2^(i/4), with the camera set to halves.
#[test]
fn half_stop_f_numbers() {
    let marks = [
        1.0, 1.2, 1.4, 1.7, 2.0, 2.4, 2.8, 3.3, 4.0, 4.8, 5.6, 6.7, 8.0, 9.5, 11.0, 13.0, 16.0, 19.0, 22.0, 27.0, 32.0,
    ];
    for (i, mark) in marks.iter().enumerate() {
        let n = FNumber::new(*mark, None, Series::Halves).unwrap();
        near(n.av().0, i as f64 / 2.0, &n.to_string());
    }
}

/// CHECK: third-stop exposure times, t = 2^(-i/3): 30 s stands for 32 s, 1/60 s for 1/64 s.
#[test]
fn third_stop_exposure_times() {
    let marks = "30 25 20 15 13 10 8 6 5 4 3.2 2.5 2 1.6 1.3 1 0.8 0.6 1/2 0.4 0.3 1/4 1/5 1/6 1/8 1/10 1/13 1/15 1/20 1/25 \
                 1/30 1/40 1/50 1/60 1/80 1/100 1/125 1/160 1/200 1/250 1/320 1/400 1/500 1/640 1/800 1/1000 1/1250 1/1600 \
                 1/2000 1/2500 1/3200 1/4000 1/5000 1/6400 1/8000";
    for (i, mark) in marks.split_whitespace().enumerate() {
        let time: ExposureTime = mark.parse().unwrap();
        near(time.tv().0, -5.0 + i as f64 / 3.0, mark);
    }
}

/// CHECK: half-stop exposure times between the whole ones.
#[test]
fn half_stop_exposure_times() {
    for (mark, tv) in [
        ("1/45", 5.5),
        ("1/90", 6.5),
        ("1/180", 7.5),
        ("1/350", 8.5),
        ("1/750", 9.5),
        ("1/1500", 10.5),
        ("1/3000", 11.5),
        ("1/6000", 12.5),
    ] {
        near(mark.parse::<ExposureTime>().unwrap().tv().0, tv, mark);
    }
}

/// CHECK: third-stop ISO speeds, S = 100 x 2^(i/3).
#[test]
fn third_stop_iso_speeds() {
    let marks = [
        25.0, 32.0, 40.0, 50.0, 64.0, 80.0, 100.0, 125.0, 160.0, 200.0, 250.0, 320.0, 400.0, 500.0, 640.0, 800.0,
        1000.0, 1250.0, 1600.0, 2000.0, 2500.0, 3200.0, 4000.0, 5000.0, 6400.0,
    ];
    for (i, mark) in marks.iter().enumerate() {
        near(IsoSpeed::new(*mark).unwrap().sv().0, 3.0 + i as f64 / 3.0, &format!("ISO {mark}"));
    }
}

/// CHECK: by the printed marks two frames of equal exposure can differ by up to 0.38 stop; by places they are equal.
#[test]
fn equal_exposures_are_equal_whatever_the_marks_say() {
    let settings = |f: &str, t: &str, iso: &str| Settings {
        f_number: f.parse().ok(),
        exposure_time: t.parse().ok(),
        iso: iso.parse().ok(),
        ..Settings::default()
    };
    let pairs = [
        (settings("f/11", "1/60", "32"), settings("f/13", "1/50", "32")),
        (settings("f/13", "1/15", "1250"), settings("f/11", "1/20", "1250")),
        (settings("f/22", "1/30", "100"), settings("f/16", "1/60", "100")),
    ];
    for (a, b) in pairs {
        near(expected(&a, &b, Lighting::Continuous).unwrap().0, 0.0, &format!("{} and {}", a.in_short(), b.in_short()));
    }
}

/// CHECK: fractions of full power in thirds (definition: the light is the fraction itself; common practice).
#[test]
fn power_in_fractions_watt_seconds_and_per_cent() {
    let fraction = Dial::new(Scale::Fraction, Step::Third, "1/256", "1/1").unwrap();
    let watts = Dial::new(Scale::WattSeconds { full: 500.0 }, Step::Third, "1.95", "500").unwrap();
    let percent = Dial::new(Scale::Percent, Step::Third, "0.4", "100").unwrap();
    let rows = [
        ("1/1", 500.0),
        ("1/2 +0.7", 396.850),
        ("1/2", 250.0),
        ("1/4 +0.3", 157.490),
        ("1/8", 62.5),
        ("1/16 -1/3", 24.803),
        ("1/128", 3.906),
    ];
    for (written, energy) in rows {
        let place = fraction.parse(written).unwrap();
        assert!((500.0 * place.below_full().ratio() - energy).abs() < 1e-3, "{written}");
        assert!((watts.parse(&format!("{energy} Ws")).unwrap() - place).abs() < Stops(1e-9), "{energy} Ws");
        let share = format!("{} %", 100.0 * energy / 500.0);
        assert!((percent.parse(&share).unwrap() - place).abs() < Stops(1e-9), "{share}");
    }
}
