//! A response: all that follows a find.
//!
//! * `trigger`: what the programme's protocol says of the confirmed finds, and what somebody should look at now.
//! * `origin`: where they came from, as regions over the cells, and in which order to search the trees.
//! * [`delimit`]: the delimiting survey, by rings or optimised.
//! * [`area`]: the regulated area, drawn from the finds by the protocol's rule.
//! * `clock`: how much of the time without a find has passed, and what silence is worth.
//! * `steps`: whom to tell, in which order, by when.
//! * `status`: the category of pest status that the evidence would support: proposed, never declared.
//! * `report`: the pest report, version by version.
//!
//! Only confirmed finds enter; everything here is confidential until the programme publishes it. All of it is proposed: people
//! with standing adopt, and the law of the place decides.

pub mod area;
pub mod delimit;
