//! Codes that one person reads and another types.

use earlywood_journal::Hash;

use super::store::SignInError;

/// Neither 0 and O nor 1, I and L: what is read from a screen is typed right.
const ALPHABET: &[u8; 31] = b"23456789ABCDEFGHJKMNPQRSTUVWXYZ";

/// A new code of `length` characters. 8 are 39 bits: enough for a quarter of an hour behind growing waits; 12 are 59.
pub(crate) fn new(length: usize) -> Result<String, SignInError> {
    let mut code = String::with_capacity(length);
    while code.len() < length {
        let mut byte = [0];
        getrandom::fill(&mut byte)
            .map_err(|e| SignInError::Secret(format!("the system gives no random numbers: {e}")))?;
        // 248 = 8 × 31: what lies above would make some characters likelier than others.
        if byte[0] < 248 {
            code.extend(
                ALPHABET
                    .get(usize::from(byte[0]) % ALPHABET.len())
                    .map(|c| char::from(*c)),
            );
        }
    }
    Ok(code)
}

/// What was typed, without the spaces and dashes that people put in, in capitals.
pub(crate) fn normal(typed: &str) -> String {
    typed
        .chars()
        .filter(|c| c.is_ascii_alphanumeric())
        .take(64)
        .map(|c| c.to_ascii_uppercase())
        .collect()
}

/// What is kept of a code.
pub(crate) fn hash(code: &str) -> [u8; 32] {
    Hash::of(code.as_bytes()).0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_are_read_as_they_are_meant() {
        let code = new(8).unwrap();
        assert_eq!(code.len(), 8);
        assert!(code.bytes().all(|b| ALPHABET.contains(&b)));
        assert_ne!(code, new(8).unwrap());
        let spaced = format!(" {}-{} ", &code[..4].to_lowercase(), &code[4..]);
        assert_eq!(normal(&spaced), code);
    }
}
