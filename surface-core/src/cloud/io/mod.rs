//! Readers: every scan format becomes the same columns, chunk by chunk.
