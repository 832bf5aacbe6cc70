use greyhold::align::*;
use greyhold::frame;
use greyhold::photometry::Series;
use greyhold::response::Response;
use std::path::Path;
use std::time::Instant;
fn prep(path: &str) -> Option<(Prepared, f64)> {
    let p = Path::new(path);
    let kind = greyhold::container::Kind::of(p)?;
    let f = frame::read_leniently(kind, p, Series::Thirds).ok()?;
    let pic = f.picture?;
    let t = Instant::now();
    let cp = std::sync::Arc::new(CodePicture::of(&pic));
    let t1 = t.elapsed().as_secs_f64();
    let pr = Prepared::of(&cp);
    let t2 = t.elapsed().as_secs_f64();
    eprintln!("   code picture {:.1} ms, prepared {:.1} ms", t1 * 1e3, (t2 - t1) * 1e3);
    Some((pr, t2))
}
fn main() {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let (reference, _) = prep(&args[0]).unwrap();
    let srgb = Response::srgb();
    for a in &args[1..] {
        let Some((f, _)) = prep(a) else {
            println!("{a} no picture");
            continue;
        };
        let t = Instant::now();
        let ov = Overlay::of(&reference, &f);
        let ms = t.elapsed().as_secs_f64() * 1e3;
        let Some(al) = ov.alignment() else {
            println!("{a}: {ms:.0} ms {ov:?}");
            continue;
        };
        let mut d: Vec<f64> = al
            .found()
            .filter(|p| p.codes.iter().all(|c| *c > 6.0 && *c < 250.0))
            .map(|p| (srgb.light(p.codes[1].into()) - srgb.light(p.codes[0].into())).0)
            .collect();
        d.sort_by(f64::total_cmp);
        let q = |s: f64| d.get((d.len() as f64 * s) as usize).copied().unwrap_or(f64::NAN);
        println!(
            "{a}: {ms:.0} ms share {:.2} {:?} patches {} change {:+.3} [{:+.3} {:+.3}]",
            al.share,
            al.moved,
            d.len(),
            q(0.5),
            q(0.1),
            q(0.9)
        );
    }
}
