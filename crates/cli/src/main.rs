//! The `loadin` executable. Knows only the streams and the arguments of the process.

use std::process::ExitCode;

fn main() -> ExitCode {
    loadin::limits::spare_address_space();
    loadin::main_with(std::env::args_os(), &mut std::io::stdout().lock(), &std::io::stderr()).into()
}
