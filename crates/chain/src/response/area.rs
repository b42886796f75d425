//! The regulated area, drawn from the finds by the protocol's rule.
