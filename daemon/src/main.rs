//! The `sheathline` program.

fn main() {}
