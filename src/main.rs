//! The program `pinfeather`.
fn main() {}
