//! QR codes as SVG: one path, sharp at any size.

use std::fmt::Write as _;

use fast_qr::{ECL, QRBuilder};

use crate::PrintError;

/// Free modules around a code (ISO/IEC 18004 asks for four).
const QUIET: usize = 4;

/// The QR code of a text, error correction level M.
///
/// # Errors
/// A text that is too long for any code.
pub(crate) fn svg(text: &str) -> Result<String, PrintError> {
    let code = QRBuilder::new(text)
        .ecl(ECL::M)
        .build()
        .map_err(|why| PrintError::Code {
            text: text.to_owned(),
            why: why.to_string(),
        })?;
    let mut path = String::new();
    for y in 0..code.size {
        for x in 0..code.size {
            if code[y][x].value() {
                let _ = write!(path, "M{} {}h1v1h-1z", x + QUIET, y + QUIET);
            }
        }
    }
    let side = code.size + 2 * QUIET;
    Ok(format!(
        r##"<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {side} {side}" shape-rendering="crispEdges"><path d="{path}" fill="#000000"/></svg>"##
    ))
}

/// How many modules a side of the code of `text` has, the free ones around it included.
///
/// # Errors
/// A text that is too long for any code.
pub(crate) fn side_modules(text: &str) -> Result<usize, PrintError> {
    let code = QRBuilder::new(text)
        .ecl(ECL::M)
        .build()
        .map_err(|why| PrintError::Code {
            text: text.to_owned(),
            why: why.to_string(),
        })?;
    Ok(code.size + 2 * QUIET)
}
