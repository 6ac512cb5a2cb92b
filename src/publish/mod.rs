//! Topics out.
