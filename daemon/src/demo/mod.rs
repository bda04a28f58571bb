//! The main job on invented patients.
