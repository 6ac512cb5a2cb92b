//! Reading what utilities send, refusing what nobody should, and reading back what is written.
