//! Numbers typed by people: parsed and range-checked where they enter, with the rule in the message.

/// Any finite number.
pub(crate) fn finite(text: &str) -> Result<f64, String> {
    let value: f64 = text
        .trim()
        .parse()
        .map_err(|_| format!("{text:?} is not a number (write 12.5, not 12,5)"))?;
    if value.is_finite() {
        Ok(value)
    } else {
        Err(format!("{text} is not a finite number"))
    }
}

/// A number above 0.
pub(crate) fn positive(text: &str) -> Result<f64, String> {
    finite(text).and_then(|v| {
        if v > 0.0 {
            Ok(v)
        } else {
            Err(format!("{text} must be above 0"))
        }
    })
}

/// A number of 0 or more.
pub(crate) fn not_negative(text: &str) -> Result<f64, String> {
    finite(text).and_then(|v| {
        if v >= 0.0 {
            Ok(v)
        } else {
            Err(format!("{text} must be 0 or more"))
        }
    })
}

/// A probability or share, 0 to 1.
pub(crate) fn share(text: &str) -> Result<f64, String> {
    finite(text).and_then(|v| {
        if (0.0..=1.0).contains(&v) {
            Ok(v)
        } else {
            Err(format!("{text} must lie between 0 and 1"))
        }
    })
}
