//! The program `steady`. Everything it does is in the library; this turns an outcome into an exit code.

use std::process::ExitCode;

fn main() -> ExitCode {
    steadybench_host::commands::main()
}
