//! `shim.c`, built once with the machine's C compiler, which Rust's linker
//! needs anyhow.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;

/// The library to put before the daemon's own.
///
/// # Panics
/// When there is no C compiler.
pub fn library() -> &'static Path {
    static BUILT: OnceLock<PathBuf> = OnceLock::new();
    BUILT.get_or_init(|| {
        let folder = Path::new(env!("CARGO_TARGET_TMPDIR"));
        let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/faults/shim.c");
        // Test processes may build it at once: each its own, then renamed.
        let own = folder.join(format!("shim-{}.so", std::process::id()));
        let built = Command::new("cc")
            .args([
                "-shared", "-fPIC", "-O1", "-Wall", "-Wextra", "-Werror", "-o",
            ])
            .arg(&own)
            .arg(source)
            .args(["-ldl", "-lpthread"])
            .status()
            .expect("a C compiler");
        assert!(built.success(), "the shim does not compile");
        let path = folder.join("shim.so");
        std::fs::rename(own, &path).expect("renamed");
        path
    })
}
