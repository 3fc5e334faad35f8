//! The program `pinfeather`.

use std::process::ExitCode;

fn main() -> ExitCode {
    ExitCode::from(pinfeather::cli::run(std::env::args_os()))
}
