//! Found values in millimetres, eyes and planes.
