//! The `loadin` executable, for benches to run as a process of its own.

use std::process::ExitCode;

fn main() -> ExitCode {
    loadin::main_with(std::env::args_os(), &mut std::io::stdout().lock(), &std::io::stderr()).into()
}
