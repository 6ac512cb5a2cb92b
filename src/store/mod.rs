//! SQLite: journal, blocks, rows, outbox.
