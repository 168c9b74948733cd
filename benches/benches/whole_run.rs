//! The whole run on one thread, as samples a second: few and many stems, with and without a change of rate, very many very
//! short ones, a very long one, and FLAC. How it stands beside the limit and beside other libraries, `side_by_side.py`
//! says.

use std::fs;
use std::path::Path;
use std::time::Duration;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use loadin_benches::{prepare, write_delivery, write_flac_delivery};
use loadin_plan::recipe::Recipe;

/// Writes stems, so many, at that rate, of so many seconds, into a folder.
type Write = fn(&Path, u64, u32, usize) -> std::io::Result<()>;

const CASES: [(&str, Write, u64, u32, usize); 7] = [
    ("8 stems of a minute", write_delivery, 8, 48_000, 60),
    ("32 stems of 15 seconds", write_delivery, 32, 48_000, 15),
    ("8 stems of a minute, 44.1 to 48 kHz", write_delivery, 8, 44_100, 60),
    ("32 stems of 15 seconds, 44.1 to 48 kHz", write_delivery, 32, 44_100, 15),
    ("8 stems of a minute, FLAC", write_flac_delivery, 8, 48_000, 60),
    ("2,000 stems of a second", write_delivery, 2000, 48_000, 1),
    ("one stem of two hours", write_delivery, 1, 48_000, 7200),
];

fn whole_run(criterion: &mut Criterion) {
    let pool = rayon::ThreadPoolBuilder::new().num_threads(1).build().expect("one thread");
    let text = loadin_plan::recipe::find_shipped("mix-prep").expect("the default recipe").text;
    let recipe = Recipe::parse(&text.replace("\"majority\"", "\"48 kHz\"")).expect("a sound recipe");
    let mut group = criterion.benchmark_group("whole run, one thread");
    group.sample_size(10).warm_up_time(Duration::from_secs(1)).measurement_time(Duration::from_secs(10));
    for (name, write, stems, rate_hz, seconds) in CASES {
        group.throughput(Throughput::Elements(2 * stems * u64::from(rate_hz) * seconds as u64));
        // Written once, and only when this case is asked for.
        let mut delivery = None;
        group.bench_function(name, |bench| {
            let folder = delivery.get_or_insert_with(|| {
                let folder = tempfile::tempdir().expect("a folder");
                fs::create_dir(folder.path().join("in")).expect("a folder");
                write(&folder.path().join("in"), stems, rate_hz, seconds).expect("a delivery");
                folder
            });
            // Returned, so that taking the outputs away again is not timed.
            bench.iter_with_large_drop(|| {
                let out = tempfile::tempdir_in(folder.path()).expect("a folder");
                pool.install(|| prepare(&folder.path().join("in"), out.path(), &recipe, |_| {}));
                out
            });
        });
    }
    group.finish();
}

criterion_group!(benches, whole_run);
criterion_main!(benches);
