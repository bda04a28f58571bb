//! Declarative templates, vocabulary and site dictionaries.
