//! The engine: same input, same bytes; data are never markup.
#![allow(clippy::unwrap_used)]

use earlywood_print::engine::{self, Template};
use jiff::civil::date;
use serde_json::json;

#[test]
fn the_same_input_gives_the_same_bytes() {
    let made = date(2025, 6, 1).at(8, 30, 0, 0);
    let data = json!({ "title": "*a* #eval(\"x\") Ångström Ελλάς" });
    let first = engine::pdf(Template::SPECIMEN, &data, made).unwrap();
    let second = engine::pdf(Template::SPECIMEN, &data, made).unwrap();
    assert!(first.starts_with(b"%PDF-1.7"));
    assert_eq!(first, second);
    let other = engine::pdf(Template::SPECIMEN, &data, made.with().hour(9).build().unwrap()).unwrap();
    assert_ne!(first, other);
}
