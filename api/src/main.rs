//! The `weirbook` program. The command line is part of the library: what only a binary calls is
//! compiled in one piece after everything else.

use std::process::ExitCode;

fn main() -> ExitCode {
    weirbook::cli::main()
}
