//! One object from bytes to measurements: the pure stages in their order.
