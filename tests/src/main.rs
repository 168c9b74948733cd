//! The `loadin` executable, for tests to run.

use std::process::ExitCode;

fn main() -> ExitCode {
    loadin::limits::spare_address_space();
    loadin::main_with(std::env::args_os(), &mut std::io::stdout().lock(), &std::io::stderr()).into()
}
