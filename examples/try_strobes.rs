use greyhold::align::*;
use greyhold::frame;
use greyhold::photometry::Series;
use greyhold::response::Response;
use std::path::Path;
fn prep(p: &Path) -> Option<Prepared> {
    let kind = greyhold::container::Kind::of(p)?;
    let f = frame::read_leniently(kind, p, Series::Thirds).ok()?;
    Some(Prepared::of(&std::sync::Arc::new(CodePicture::of(&f.picture?))))
}
fn main() {
    let root = std::env::args().nth(1).unwrap();
    let verbose = std::env::args().nth(2).is_some();
    let mut errs: Vec<(f64, String)> = vec![];
    let mut shares = vec![];
    let mut dirs: Vec<_> =
        std::fs::read_dir(&root).unwrap().flatten().map(|e| e.path()).filter(|p| p.is_dir()).collect();
    dirs.sort();
    for dir in dirs {
        let truth: serde_json::Value = serde_json::from_slice(&std::fs::read(dir.join("truth.json")).unwrap()).unwrap();
        let table: Vec<f64> = truth["curve"].as_array().unwrap().iter().map(|v| v.as_f64().unwrap()).collect();
        let r = Response::of_table("true", table.try_into().unwrap());
        let reference = prep(&dir.join("reference.jpg")).unwrap();
        for f in truth["frames"].as_array().unwrap() {
            let file = f["file"].as_str().unwrap();
            let fr = prep(&dir.join(file)).unwrap();
            let ov = Overlay::of(&reference, &fr);
            let Some(al) = ov.alignment() else {
                println!("{} {file} {ov:?}", dir.display());
                continue;
            };
            let mut d: Vec<f64> = al
                .found()
                .filter(|p| p.codes.iter().all(|c| *c > 6.0 && *c < 250.0))
                .map(|p| (r.light(p.codes[1].into()) - r.light(p.codes[0].into())).0)
                .collect();
            d.sort_by(f64::total_cmp);
            let q = |s: f64| d.get((d.len() as f64 * s) as usize).copied().unwrap_or(f64::NAN);
            let e = q(0.5) - f["change"].as_f64().unwrap();
            let share = al.share;
            shares.push(share);
            let line = format!(
                "{} {file} {} {:+.2} err {e:+.3} spread {:.3} share {:.2} patches {}/{}",
                dir.display(),
                f["kind"].as_str().unwrap(),
                f["change"].as_f64().unwrap(),
                (q(0.84) - q(0.16)) / 2.0,
                al.share,
                d.len(),
                al.patches.len()
            );
            if verbose {
                println!("{line}");
            }
            errs.push((e, line));
        }
    }
    errs.sort_by(|a, b| a.0.abs().total_cmp(&b.0.abs()));
    shares.sort_by(f64::total_cmp);
    let n = errs.len();
    for q in [0.5, 0.8, 0.9, 0.95, 0.99] {
        println!("|err| q{q}: {:.3}", errs[(n as f64 * q) as usize].0.abs());
    }
    for q in [0.0, 0.01, 0.05, 0.1, 0.5] {
        println!("share q{q}: {:.3}", shares[(n as f64 * q) as usize]);
    }
    for (_, l) in errs.iter().rev().take(25) {
        println!("{l}");
    }
}
