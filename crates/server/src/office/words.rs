//! One plain line for each entry, from what its body says.

use serde_json::Value;

/// What an entry says, in a line. Of kinds that are not known here, the kind.
pub(crate) fn line(kind: &str, body: &Value) -> String {
    let f = |name: &str| text(body.get(name));
    let if_any = |before: &str, name: &str| match f(name) {
        text if text.is_empty() => String::new(),
        text => format!("{before}{text}"),
    };
    let count = |name: &str| body.get(name).and_then(Value::as_array).map_or(0, Vec::len);
    match kind {
        "programme-set-up" => format!("programme {} set up", f("name")),
        "hosts-loaded" | "pathways-loaded" | "land-loaded" | "zones-loaded" | "weather-loaded"
        | "places-loaded" | "roads-loaded" | "crews-loaded" | "access-loaded" => {
            let what = kind.trim_end_matches("-loaded");
            let mode = if f("mode") == "replace" {
                "in place of those before"
            } else {
                "added"
            };
            format!("{} {what} {mode}, from {}", f("rows"), f("source"))
        }
        "target-adopted" => format!("target {} adopted", f("id")),
        "plan-adopted" => format!(
            "plan of {} places adopted for {}: {}",
            count("places"),
            f("target"),
            f("reason")
        ),
        "rounds-adopted" => format!(
            "{} rounds adopted for {} to {}, {} visits left out: {}",
            count("rounds"),
            f("from"),
            f("to"),
            count("left_out"),
            f("reason")
        ),
        "protocol-adopted" => format!("protocol of response adopted for {}", f("target")),
        "response-opened" => format!(
            "response to find {} of {} opened: {}",
            f("find"),
            f("target"),
            f("reason")
        ),
        "response-step-done" => format!(
            "response {}: step {} taken{}",
            f("find"),
            f("step"),
            if_any(", ", "note")
        ),
        "area-drawn" => format!(
            "response {}: regulated area, version {}, {} km2 from {}: {}",
            f("find"),
            f("version"),
            f("km2"),
            f("from"),
            f("reason")
        ),
        "area-lifted" => format!(
            "response {}: regulated area, version {}, lifted from {}: {}",
            f("find"),
            f("version"),
            f("from"),
            f("reason")
        ),
        "delimiting-adopted" => format!(
            "response {}: delimiting survey of {} traps and {} looks: {}",
            f("find"),
            count("traps"),
            count("looks"),
            f("reason")
        ),
        "pest-report-issued" => format!(
            "response {}: pest report, version {}, to {}",
            f("find"),
            f("version"),
            f("to")
        ),
        "response-closed" => format!("response {} closed, {}: {}", f("find"), f("end"), f("reason")),
        "trap-placed" => format!("trap {} hung at {} on {}", f("trap"), f("place"), f("hung")),
        "trap-taken-down" => format!(
            "trap {} taken down on {}{}",
            f("trap"),
            f("date"),
            if_any(": ", "reason")
        ),
        "trap-registered" => format!("trap {} registered ({})", f("trap"), f("device")),
        "trap-written-off" => format!("trap {} written off on {}: {}", f("trap"), f("date"), f("why")),
        "trap-came-back" => format!("trap {} came back on {}", f("trap"), f("date")),
        "visit-made" => {
            let looked = body
                .get("looked")
                .map(|looked| text(Some(looked)))
                .unwrap_or_default();
            format!(
                "stop at trap {} on {}: {}, looked {looked}{}",
                f("trap"),
                f("date"),
                f("kind"),
                if_any(", ", "exception")
            )
        }
        "tree-inspected" => match count("signs") {
            0 => format!("tree {} inspected on {}: no signs", f("tree"), f("date")),
            n => format!(
                "tree {} inspected on {}: signs of {n} sorts",
                f("tree"),
                f("date")
            ),
        },
        "specimen-taken" => format!("specimen {} taken ({})", f("specimen"), f("what")),
        "specimens-offered" => {
            let n = count("specimens");
            format!(
                "{n} specimens offered by {} to {} ({})",
                f("from"),
                f("to"),
                f("handover")
            )
        }
        "specimens-accepted" => format!("hand-over {} accepted by {}", f("handover"), f("by")),
        "specimens-declined" => format!(
            "hand-over {} declined by {}: {}",
            f("handover"),
            f("by"),
            f("why")
        ),
        "screening-made" => {
            format!(
                "specimen {} screened by {}: {} suspects",
                f("specimen"),
                f("by"),
                f("suspects")
            )
        }
        "determination" => {
            let of = body
                .get("of")
                .or_else(|| body.get("trap"))
                .map(|of| text(Some(of)))
                .unwrap_or_default();
            format!("{of}: {} {}, by {}", f("target"), f("status"), f("by"))
        }
        "specimen-ended" => format!("specimen {} {} by {}", f("specimen"), f("how"), f("by")),
        "supply" => {
            let what = body.get("what").map(|what| text(Some(what))).unwrap_or_default();
            format!("lot {}: {what}", f("lot"))
        }
        "hold-declared" => {
            format!(
                "hold {} from {}{}: {}",
                f("hold"),
                f("from"),
                if_any(" to ", "to"),
                f("cause")
            )
        }
        "hold-lifted" => format!("hold {} lifted on {}", f("hold"), f("date")),
        "sealed" => "a sealed record (what was planted where)".into(),
        "planting-closed" => format!("planting {} closed by {}", f("planting"), f("by")),
        "conflict-settled" => format!("conflict settled: {}", f("reason")),
        "correction" => {
            let what = match body
                .get("change")
                .map(|change| text(Some(change)))
                .unwrap_or_default()
            {
                text if text.starts_with("withdraw") => "withdrawn",
                _ => "put right",
            };
            format!("entry {} {what}: {}", f("corrects"), f("reason"))
        }
        "device-enrolled" => format!("device {} enrolled{}", f("device"), if_any(" for ", "holder")),
        "device-withdrawn" => format!("device {} withdrawn: {}", f("device"), f("reason")),
        "person-enrolled" => {
            format!(
                "{} enrolled as {} from {}{}",
                f("person"),
                f("roles"),
                f("from"),
                if_any(" to ", "to")
            )
        }
        "crew-formed" => format!(
            "crew {}: {} from {}{}",
            f("crew"),
            f("people"),
            f("from"),
            if_any(" to ", "to")
        ),
        "authority-granted" => format!("{} may give {} up to {}", f("person"), f("taxa"), f("up_to")),
        "person-erased" => format!("what was known of {} erased", f("person")),
        "clock-seen" => format!("clock of device {} was {} s ahead", f("device"), f("ahead_s")),
        other => other.replace('-', " "),
    }
}

/// A value in words: lists with commas; of a tagged choice its name and what goes with it.
fn text(value: Option<&Value>) -> String {
    match value {
        None | Some(Value::Null) => String::new(),
        Some(Value::String(text)) => text.clone(),
        Some(Value::Array(items)) => items
            .iter()
            .map(|item| text(Some(item)))
            .collect::<Vec<_>>()
            .join(", "),
        Some(Value::Object(fields)) => fields
            .iter()
            .filter(|(_, value)| !value.is_null())
            .map(|(name, value)| match (name.as_str(), value) {
                ("is", value) => text(Some(value)),
                (name, Value::Object(inner)) if inner.is_empty() => name.to_owned(),
                (name, value) => format!("{} {}", name.replace('_', " "), text(Some(value))),
            })
            .collect::<Vec<_>>()
            .join(" "),
        Some(other) => other.to_string(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn every_known_kind_has_words_of_its_own() {
        for (kind, _) in earlywood_journal::Body::kinds() {
            assert_ne!(line(kind, &json!({})), kind.replace('-', " "), "{kind}");
        }
        assert_eq!(line("nest-seen", &json!({})), "nest seen");
    }

    #[test]
    fn a_line_says_what_happened() {
        let body = json!({"trap": "A-1", "place": "P-3", "hung": "2026-05-01"});
        assert_eq!(line("trap-placed", &body), "trap A-1 hung at P-3 on 2026-05-01");
        let body = json!({"person": "p-2", "roles": ["inspector", "clerk"], "from": "2026-05-01"});
        assert_eq!(
            line("person-enrolled", &body),
            "p-2 enrolled as inspector, clerk from 2026-05-01"
        );
    }
}
