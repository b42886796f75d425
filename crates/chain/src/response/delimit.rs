//! The delimiting survey, by rings or optimised.
