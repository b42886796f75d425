//! The short code on a round's paper: said over the telephone, typed by a clerk, and told from any other of the programme.
//!
//! Five characters out of 23 that are not mistaken for each other, neither when written by hand (no 0 O, 1 I L, 2 Z, 5 S,
//! 8 B, U V) nor much when said. The last is a check: with weights 5, 4, 3, 2, 1 the sum of all five is divisible by 23.
//! Since 23 is prime and the weights differ, one wrong character and two neighbours that changed places are always noticed.
//! The alphabet and the weights are design choices; the argument is that of ISBN-10 (ISO 2108:1992, with 11 in place of 23).

use std::collections::HashSet;

/// The characters, in the order of their values.
const ALPHABET: &[u8; 23] = b"34679ACDEFGHJKMNPQRTWXY";
/// How many there are: a prime.
const BASE: u32 = 23;
/// Characters before the check character.
const DATA: usize = 4;
/// All codes there are.
const ALL: u32 = BASE.pow(4);
/// Steps from code to code, so that two of one day look unlike. Without a factor in common with [`ALL`].
const STEP: u32 = 112_573;

/// Why a text is no code.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum CodeError {
    /// Too long or too short.
    #[error("a sheet's code has 5 characters, as in {example}; {given:?} has {count}", example = example())]
    Length {
        /// What was typed.
        given: String,
        /// Its characters, without blanks and hyphens.
        count: usize,
    },
    /// A character that no code has.
    #[error("no sheet's code has the character {0:?}; codes are written with {alphabet} only", alphabet = alphabet())]
    Character(char),
    /// The check character does not fit.
    #[error("{0:?} is mistyped: its last character does not fit the others")]
    Check(String),
}

fn alphabet() -> String {
    ALPHABET.iter().map(|&b| char::from(b)).collect()
}

fn example() -> String {
    code(0)
}

/// The code of a number below 279 841; numbers beyond begin again.
pub fn code(number: u32) -> String {
    let mut left = number % ALL;
    let mut values = [0_u32; DATA];
    for value in values.iter_mut().rev() {
        *value = left % BASE;
        left /= BASE;
    }
    let check = (BASE - weighted(&values) % BASE) % BASE;
    values
        .into_iter()
        .chain([check])
        .filter_map(|v| ALPHABET.get(usize::try_from(v).ok()?).map(|&b| char::from(b)))
        .collect()
}

/// Sum of the values with weights 5, 4, 3, ...
fn weighted(values: &[u32]) -> u32 {
    values.iter().zip((1..=5).rev()).map(|(v, w)| v * w).sum()
}

/// A code as people type it (small letters, blanks, hyphens) as it stands in the record.
///
/// # Errors
/// A text that is no code, and what is wrong with it.
pub fn parse(text: &str) -> Result<String, CodeError> {
    let plain: String = text
        .chars()
        .filter(|c| !c.is_whitespace() && *c != '-')
        .flat_map(char::to_uppercase)
        .collect();
    let mut values = Vec::with_capacity(DATA + 1);
    for c in plain.chars() {
        let at = ALPHABET.iter().position(|&b| char::from(b) == c);
        values.push(
            at.and_then(|v| u32::try_from(v).ok())
                .ok_or(CodeError::Character(c))?,
        );
    }
    if values.len() != DATA + 1 {
        return Err(CodeError::Length {
            given: text.to_owned(),
            count: values.len(),
        });
    }
    if !weighted(&values).is_multiple_of(BASE) {
        return Err(CodeError::Check(text.trim().to_owned()));
    }
    Ok(plain)
}

/// Codes that are not used yet, one after the other. `key` keeps apart the copies of a programme that adopt rounds without
/// knowing of each other.
pub struct Codes {
    next: u32,
    used: HashSet<String>,
}

impl Codes {
    /// Codes beside those that are used already.
    pub fn new(key: &[u8], used: HashSet<String>) -> Self {
        // FNV-1a: spreads the key; nothing rests on its strength.
        let start = key.iter().fold(2_166_136_261_u32, |hash, byte| {
            (hash ^ u32::from(*byte)).wrapping_mul(16_777_619)
        });
        let made = u32::try_from(used.len()).unwrap_or(u32::MAX);
        Codes {
            next: (start % ALL).wrapping_add(made.wrapping_mul(STEP) % ALL) % ALL,
            used,
        }
    }
}

impl Iterator for Codes {
    type Item = String;

    /// The next one; none when all 279 841 are used.
    fn next(&mut self) -> Option<String> {
        for _ in 0..ALL {
            let code = code(self.next);
            self.next = (self.next + STEP) % ALL;
            if self.used.insert(code.clone()) {
                return Some(code);
            }
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn codes_are_read_as_they_are_typed() {
        let code = code(12_345);
        assert_eq!(code.len(), 5);
        let typed = format!(" {}-{} ", code[..2].to_lowercase(), &code[2..]);
        assert_eq!(parse(&typed), Ok(code.clone()));
        assert!(matches!(
            parse(&code[..4]),
            Err(CodeError::Length { count: 4, .. })
        ));
        assert_eq!(parse("O3333"), Err(CodeError::Character('O')));
        assert!(parse("").unwrap_err().to_string().contains("5 characters"));
    }

    #[test]
    fn every_slip_of_one_character_and_every_swap_is_noticed() {
        for number in (0..ALL).step_by(997) {
            let good = code(number);
            for at in 0..5 {
                for &other in ALPHABET {
                    let mut bad = good.clone().into_bytes();
                    if bad[at] != other {
                        bad[at] = other;
                        assert!(parse(std::str::from_utf8(&bad).unwrap()).is_err(), "{good}");
                    }
                }
                let mut bad = good.clone().into_bytes();
                if at < 4 && bad[at] != bad[at + 1] {
                    bad.swap(at, at + 1);
                    assert!(parse(std::str::from_utf8(&bad).unwrap()).is_err(), "{good}");
                }
            }
        }
    }

    proptest! {
        #[test]
        fn codes_never_repeat(key in any::<[u8; 16]>()) {
            let mut used = HashSet::new();
            for _ in 0..4 {
                let fresh: Vec<String> = Codes::new(&key, used.clone()).take(300).collect();
                for code in fresh {
                    prop_assert_eq!(parse(&code), Ok(code.clone()));
                    prop_assert!(used.insert(code));
                }
            }
        }
    }
}
