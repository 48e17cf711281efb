//! (schema)
