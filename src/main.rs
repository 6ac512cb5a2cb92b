//! The program: everything is in the library's `cli`.

use std::process::ExitCode;

fn main() -> ExitCode {
    panelwright::cli::main()
}
