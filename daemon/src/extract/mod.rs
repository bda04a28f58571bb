//! Values found in a tree by templates, as sent.
