//! The `pondreeve` program. Everything it does is in the library; see `pondreeve::cli`.

fn main() -> std::process::ExitCode {
    pondreeve::cli::main()
}
