#!/bin/sh
# Fuzzes every target, or those that are named: tests/fuzz/run.sh [TARGET...]. RUNS executions each (default 300000), or
# SECONDS_EACH seconds. Needs cargo-fuzz (`cargo install cargo-fuzz`) and a C++ compiler. First seeds are the test files of
# hound, claxon and SciPy, our own small ones, the shipped recipes, a manifest of the demo, and what the targets themselves
# prepare, archive and list.
set -eu
cd "$(dirname "$0")"
# Instrumentation is an unstable option of the compiler; the code is the same.
export RUSTC_BOOTSTRAP=1
seed() {
  target=$1
  shift
  mkdir -p "corpus/$target"
  for file in "$@"; do
    # Large files are slow and teach nothing that small ones do not.
    [ -f "$file" ] && [ "$(wc -c <"$file")" -le 60000 ] && cp "$file" "corpus/$target/"
  done
  return 0
}
ours=../it/reference_codec/data
hound=$ours/open/hound
claxon=$ours/open/claxon
seed riff "$hound"/*.wav "$hound"/fuzz/* $ours/*.wav $ours/open/scipy/*.wav
seed wave64 $ours/*.w64
mkdir -p corpus/aiff
for file in ../../demo/delivery/*.aif; do head -c 4000 "$file" >"corpus/aiff/$(basename "$file")"; done
seed aiff $ours/*.aif
seed caf $ours/*.caf
seed flac "$claxon"/*.flac "$claxon"/fuzz/* $ours/*.flac
seed mpeg $ours/*.mp3 $ours/*.aac
seed mp4 $ours/*.m4a
seed ogg $ours/*.ogg
seed recipe ../../pipelines/*.toml
seed manifest ../../demo/prepped/manifest.json
mkdir -p corpus/answers corpus/archive corpus/journal corpus/checksums corpus/bag
# The example of the reference.
sed -n '/^answers = 1/,/^```/p' ../../crates/cli/src/help/answers.md | grep -v '```' >corpus/answers/example.toml
# Targets that work on a folder write into memory where the system has such a place.
[ -d /dev/shm ] && export TMPDIR=/dev/shm
export LOADIN_SEEDS="$PWD/corpus"
[ $# -gt 0 ] || set -- $(cargo fuzz list --fuzz-dir .)
for target in "$@"; do
  echo "== $target"
  # No input takes more than 5 s or 256 MB at once.
  cargo fuzz run --fuzz-dir . --sanitizer none "$target" -- \
    -runs="${RUNS:-$([ -n "${SECONDS_EACH:-}" ] && echo -1 || echo 300000)}" -max_total_time="${SECONDS_EACH:-0}" -timeout=5 -malloc_limit_mb=256 -rss_limit_mb=1024 -max_len=65536 -print_final_stats=1
done
