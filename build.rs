//! Rebuilds the binary when a migration is added: `sqlx::migrate!` reads the
//! folder at compile time and does not notice a new file by itself.

fn main() {
    println!("cargo:rerun-if-changed=migrations");
}
