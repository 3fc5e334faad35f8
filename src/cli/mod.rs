//! The program's commands, one file each; knows clap and no numerics.
