//! Derived numbers against closed forms worked out beside them.
