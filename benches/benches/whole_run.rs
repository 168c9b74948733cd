//! The whole run on one thread, as bytes of input a second, beside the machine's own reference: SHA-256 of the input,
//! a plain copy, and SHA-256 of the copy.

use std::fs;
use std::io::Read;
use std::path::Path;
use std::time::Duration;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use loadin_benches::{prepare, write_delivery};
use loadin_pipeline::recipe::Recipe;
use sha2::{Digest, Sha256};

const STEMS: u64 = 4;
const SECONDS: usize = 60;

fn hash(path: &Path) -> [u8; 32] {
    let mut hash = Sha256::new();
    let mut piece = vec![0; 1 << 18];
    let mut file = fs::File::open(path).expect("a stem");
    loop {
        match file.read(&mut piece).expect("bytes") {
            0 => return hash.finalize().into(),
            read => hash.update(&piece[..read]),
        }
    }
}

/// Hash, copy, hash: what any tool must do that proves its work.
fn reference(delivery: &Path, out: &Path) {
    for entry in fs::read_dir(delivery).expect("a delivery") {
        let source = entry.expect("an entry").path();
        let copy = out.join(source.file_name().expect("a name"));
        let before = hash(&source);
        fs::copy(&source, &copy).expect("a copy");
        fs::File::open(&copy).and_then(|file| file.sync_all()).expect("a synced copy");
        assert_eq!(before, hash(&copy));
    }
}

fn whole_run(criterion: &mut Criterion) {
    let pool = rayon::ThreadPoolBuilder::new().num_threads(1).build().expect("one thread");
    let mut group = criterion.benchmark_group("whole run, one thread");
    group.sample_size(10).warm_up_time(Duration::from_secs(1)).measurement_time(Duration::from_secs(10));
    for (name, rate_hz) in [("48 kHz, no resampling", 48_000), ("44.1 to 48 kHz", 44_100)] {
        let folder = tempfile::tempdir().expect("a folder");
        let delivery = folder.path().join("delivery");
        fs::create_dir(&delivery).expect("a folder");
        write_delivery(&delivery, STEMS, rate_hz, SECONDS).expect("a delivery");
        let text = loadin_pipeline::recipe::find_shipped("mix-prep").expect("the default recipe").text;
        let recipe = Recipe::parse(&text.replace("\"majority\"", "\"48 kHz\"")).expect("a sound recipe");
        group.throughput(Throughput::Bytes(STEMS * SECONDS as u64 * u64::from(rate_hz) * 6));
        group.bench_function(format!("prepare, {name}"), |bench| {
            // Returned, so that taking the outputs away again is not timed.
            bench.iter_with_large_drop(|| {
                let out = tempfile::tempdir_in(folder.path()).expect("a folder");
                pool.install(|| prepare(&delivery, out.path(), &recipe, |_| {}));
                out
            });
        });
        group.bench_function(format!("hash, copy and hash, {name}"), |bench| {
            bench.iter_with_large_drop(|| {
                let out = tempfile::tempdir_in(folder.path()).expect("a folder");
                reference(&delivery, out.path());
                out
            });
        });
    }
    group.finish();
}

criterion_group!(benches, whole_run);
criterion_main!(benches);
