//! One spelling for every JSON value: RFC 8785 (JSON Canonicalization Scheme), so that a phone writes the same bytes.

use std::fmt::Write as _;

use serde_json::{Number, Value};

use crate::error::Error;

/// The largest integer that every JSON reader keeps exactly (RFC 7493 section 2.2): 2^53 - 1.
const LARGEST_EXACT: u64 = (1 << 53) - 1;

/// Writes `value` in the one canonical way of RFC 8785: no white space, members sorted by UTF-16 code units, numbers
/// as ECMAScript writes them. In a browser: sort the keys, then `JSON.stringify`.
///
/// # Errors
/// An integer beyond ±(2^53 - 1), which other readers would change in silence.
pub fn canonical_json(value: &Value) -> Result<String, Error> {
    let mut out = String::new();
    write_value(value, &mut out)?;
    Ok(out)
}

fn write_value(value: &Value, out: &mut String) -> Result<(), Error> {
    match value {
        Value::Null => out.push_str("null"),
        Value::Bool(true) => out.push_str("true"),
        Value::Bool(false) => out.push_str("false"),
        Value::Number(number) => write_number(number, out)?,
        Value::String(text) => write_text(text, out),
        Value::Array(items) => {
            out.push('[');
            for (i, item) in items.iter().enumerate() {
                if i > 0 {
                    out.push(',');
                }
                write_value(item, out)?;
            }
            out.push(']');
        }
        Value::Object(members) => {
            let mut members: Vec<_> = members.iter().collect();
            members.sort_by(|a, b| a.0.encode_utf16().cmp(b.0.encode_utf16()));
            out.push('{');
            for (i, (key, member)) in members.into_iter().enumerate() {
                if i > 0 {
                    out.push(',');
                }
                write_text(key, out);
                out.push(':');
                write_value(member, out)?;
            }
            out.push('}');
        }
    }
    Ok(())
}

fn write_text(text: &str, out: &mut String) {
    out.push('"');
    for c in text.chars() {
        match c {
            '"' => out.push_str("\\\""),
            '\\' => out.push_str("\\\\"),
            '\u{8}' => out.push_str("\\b"),
            '\t' => out.push_str("\\t"),
            '\n' => out.push_str("\\n"),
            '\u{c}' => out.push_str("\\f"),
            '\r' => out.push_str("\\r"),
            c if c < ' ' => {
                let _ = write!(out, "\\u{:04x}", u32::from(c));
            }
            c => out.push(c),
        }
    }
    out.push('"');
}

fn write_number(number: &Number, out: &mut String) -> Result<(), Error> {
    let too_large = || Error::Body {
        kind: "JSON".into(),
        why: format!(
            "the number {number} is beyond 2^53 - 1, where JSON readers lose digits; write it as text"
        ),
    };
    if let Some(n) = number.as_u64() {
        if n > LARGEST_EXACT {
            return Err(too_large());
        }
        let _ = write!(out, "{n}");
    } else if let Some(n) = number.as_i64() {
        if n.unsigned_abs() > LARGEST_EXACT {
            return Err(too_large());
        }
        let _ = write!(out, "{n}");
    } else {
        let x = number.as_f64().ok_or_else(too_large)?;
        // ECMAScript writes these like integers, and as integers no reader keeps them.
        if x.abs() > LARGEST_EXACT as f64 && x.abs() < 1e21 {
            return Err(too_large());
        }
        write_float(x, out);
    }
    Ok(())
}

/// `Number::toString` of ECMA-262, which RFC 8785 section 3.2.2.3 prescribes.
fn write_float(x: f64, out: &mut String) {
    if x == 0.0 {
        out.push('0'); // also -0
        return;
    }
    if x < 0.0 {
        out.push('-');
    }
    let (digits, point) = shortest_digits(x.abs());
    let count = digits.len() as i32;
    if count <= point && point <= 21 {
        out.push_str(&digits);
        out.extend((count..point).map(|_| '0'));
    } else if (1..=21).contains(&point) {
        let (whole, fraction) = digits.split_at(point as usize);
        let _ = write!(out, "{whole}.{fraction}");
    } else if (-5..=0).contains(&point) {
        out.push_str("0.");
        out.extend((point..0).map(|_| '0'));
        out.push_str(&digits);
    } else {
        let (first, rest) = digits.split_at(1);
        let dot = if rest.is_empty() { "" } else { "." };
        let _ = write!(out, "{first}{dot}{rest}e{:+}", point - 1);
    }
}

/// The shortest digits that read back to `x` (finite, above 0), and where the point stands after the first of them.
///
/// They are taken from serde_json, not from `Display`: where two shortest texts are equally near, ECMAScript and
/// serde_json take the even one, the standard library the larger (the last line of RFC 8785 appendix B).
fn shortest_digits(x: f64) -> (String, i32) {
    let text = Number::from_f64(x).map_or_else(String::new, |number| number.to_string());
    let (mantissa, exponent) = text.split_once(['e', 'E']).unwrap_or((&text, "0"));
    let (whole, fraction) = mantissa.split_once('.').unwrap_or((mantissa, ""));
    let all = format!("{whole}{fraction}");
    let digits = all.trim_start_matches('0');
    let point = whole.len() as i32 - (all.len() - digits.len()) as i32 + exponent.parse().unwrap_or(0);
    (digits.trim_end_matches('0').to_owned(), point)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn float(x: f64) -> String {
        let mut out = String::new();
        write_float(x, &mut out);
        out
    }

    #[test]
    fn numbers_as_in_rfc_8785_appendix_b() {
        for (bits, text) in [
            (0x0000000000000000, "0"),
            (0x8000000000000000, "0"),
            (0x0000000000000001, "5e-324"),
            (0x8000000000000001, "-5e-324"),
            (0x7fefffffffffffff, "1.7976931348623157e+308"),
            (0xffefffffffffffff, "-1.7976931348623157e+308"),
            (0x4340000000000000, "9007199254740992"),
            (0xc340000000000000, "-9007199254740992"),
            (0x4430000000000000, "295147905179352830000"),
            (0x44b52d02c7e14af5, "9.999999999999997e+22"),
            (0x44b52d02c7e14af6, "1e+23"),
            (0x44b52d02c7e14af7, "1.0000000000000001e+23"),
            (0x444b1ae4d6e2ef4e, "999999999999999700000"),
            (0x444b1ae4d6e2ef4f, "999999999999999900000"),
            (0x444b1ae4d6e2ef50, "1e+21"),
            (0x3eb0c6f7a0b5ed8c, "9.999999999999997e-7"),
            (0x3eb0c6f7a0b5ed8d, "0.000001"),
            (0x41b3de4355555553, "333333333.3333332"),
            (0x41b3de4355555554, "333333333.33333325"),
            (0x41b3de4355555555, "333333333.3333333"),
            (0xbecbf647612f3696, "-0.0000033333333333333333"),
            (0x43143ff3c1cb0959, "1424953923781206.2"),
        ] {
            assert_eq!(float(f64::from_bits(bits)), text);
        }
    }

    #[test]
    fn objects_as_in_rfc_8785_section_3_2() {
        // The worked example of sections 3.2.2 and 3.2.3.
        let value: Value = serde_json::from_str(
            r#"{"numbers":[333333333.33333329,1E30,4.50,2e-3,0.000000000000000000000000001],
                "string":"\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/","literals":[null,true,false]}"#,
        )
        .unwrap();
        assert_eq!(
            canonical_json(&value).unwrap(),
            "{\"literals\":[null,true,false],\"numbers\":[333333333.3333333,1e+30,4.5,0.002,1e-27],\
             \"string\":\"€$\\u000f\\nA'B\\\"\\\\\\\\\\\"/\"}"
        );
        let keys: Value = serde_json::from_str(
            r#"{"\u20ac":1,"\r":2,"\ufb33":3,"1":4,"\ud83d\ude00":5,"\u0080":6,"\u00f6":7}"#,
        )
        .unwrap();
        assert_eq!(
            canonical_json(&keys).unwrap(),
            "{\"\\r\":2,\"1\":4,\"\u{80}\":6,\"ö\":7,\"€\":1,\"😀\":5,\"\u{fb33}\":3}"
        );
    }

    #[test]
    fn integers_that_readers_would_round_are_refused() {
        assert_eq!(
            canonical_json(&serde_json::json!(9007199254740991_u64)).unwrap(),
            "9007199254740991"
        );
        assert!(canonical_json(&serde_json::json!(9007199254740992_u64)).is_err());
        assert!(canonical_json(&serde_json::json!(-9007199254740992_i64)).is_err());
    }

    proptest! {
        #[test]
        fn floats_read_back_to_the_same_number(x in any::<f64>().prop_filter("finite", |x| x.is_finite())) {
            let back: f64 = serde_json::from_str(&float(x)).unwrap();
            prop_assert_eq!(back, x);
        }

        #[test]
        fn what_is_written_reads_back_and_is_written_again(
            x in prop_oneof![any::<f64>(), -1e22..1e22_f64, 9.0e15..9.1e15_f64].prop_filter("finite", |x| x.is_finite()),
        ) {
            let written = canonical_json(&serde_json::json!(x));
            prop_assert_eq!(written.is_err(), x.abs() >= 9_007_199_254_740_992.0 && x.abs() < 1e21);
            if let Ok(text) = written {
                let back: Value = serde_json::from_str(&text).unwrap();
                prop_assert_eq!(back.as_f64(), Some(x));
                prop_assert_eq!(canonical_json(&back).unwrap(), text);
            }
        }

        #[test]
        fn canonical_text_is_a_fixed_point(text in ".*", x in -1e9..1e9_f64, n in any::<i32>()) {
            let value = serde_json::json!({ "b": [x, n, null], (text.clone()): text });
            let once = canonical_json(&value).unwrap();
            let again = canonical_json(&serde_json::from_str(&once).unwrap()).unwrap();
            prop_assert_eq!(once, again);
        }
    }
}
