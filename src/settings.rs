//! Service settings: defaults < file < environment.
