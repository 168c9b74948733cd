//! Writes the demo delivery: `loadin-demo [FOLDER]`, by default `demo/delivery`.

use std::path::PathBuf;
use std::process::ExitCode;

fn main() -> ExitCode {
    let folder = std::env::args_os().nth(1).map_or_else(|| PathBuf::from("demo/delivery"), PathBuf::from);
    match loadin_demo::write(&folder) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            #[expect(
                clippy::print_stderr,
                reason = "a small tool for the makers of this project; there is no other listener"
            )]
            {
                eprintln!("loadin-demo: {error}");
            }
            ExitCode::FAILURE
        }
    }
}
