//! Passwords: what is taken for one, and how it is kept.

use argon2::password_hash::phc::PasswordHash;
use argon2::password_hash::{PasswordHasher, PasswordVerifier};
use argon2::{Algorithm, Argon2, Params, Version};

use super::store::SignInError;
use crate::office::problem::Problem;

/// Fewest characters. NIST SP 800-63B-4 section 3.1.1.2 asks for 15 where a password stands alone and at least 8; 12 is a
/// design choice between.
const FEWEST: usize = 12;
/// Most bytes: long enough for any sentence, short enough to hash.
const MOST: usize = 256;

/// Argon2id with 19 MiB, 2 passes, 1 lane: the first of the equal choices in OWASP's Password Storage Cheat Sheet.
fn hasher() -> Result<Argon2<'static>, SignInError> {
    let params = Params::new(19 * 1024, 2, 1, None).map_err(secret)?;
    Ok(Argon2::new(Algorithm::Argon2id, Version::V0x13, params))
}

fn secret(e: impl ToString) -> SignInError {
    SignInError::Secret(format!("a password can't be hashed: {}", e.to_string()))
}

/// Refuses what is too short, or what anybody would guess first.
pub(crate) fn check(field: &str, password: &str, person: &str, programme: &str) -> Result<(), Problem> {
    let bad = |words: &str| Err(Problem::field(field, words));
    if password.chars().count() < FEWEST {
        return bad("a password has at least 12 characters; four words in a row are easy to keep in mind");
    }
    if password.len() > MOST {
        return bad("a password has at most 256 bytes");
    }
    let plain: String = password
        .chars()
        .filter(|c| c.is_alphanumeric())
        .flat_map(char::to_lowercase)
        .collect();
    for known in [person, programme, "earlywood"] {
        let known: String = known
            .chars()
            .filter(|c| c.is_alphanumeric())
            .flat_map(char::to_lowercase)
            .collect();
        // The word itself, or nothing but repetitions of it.
        if !known.is_empty() && plain.replace(&known, "").is_empty() {
            return bad("a password is not the person's id nor the programme's name");
        }
    }
    let mut different: Vec<char> = password.chars().collect();
    different.sort_unstable();
    different.dedup();
    if different.len() < 5 {
        return bad("a password has at least five different characters");
    }
    Ok(())
}

/// The PHC text that is kept of a password. Takes some 20 ms and 19 MiB.
pub(crate) fn hash(password: &str) -> Result<String, SignInError> {
    Ok(hasher()?
        .hash_password(password.as_bytes())
        .map_err(secret)?
        .to_string())
}

/// Whether a password is the one that was kept. Where none was kept the same work is done, for nothing: the time of an
/// answer does not tell who has an account.
pub(crate) fn is_right(password: &str, kept: Option<&str>, none: &str) -> Result<bool, SignInError> {
    // No longer password was ever taken, and a long one would only cost time.
    let password = if password.len() > MOST { "" } else { password };
    let parsed = PasswordHash::new(kept.unwrap_or(none)).map_err(secret)?;
    let same = hasher()?.verify_password(password.as_bytes(), &parsed).is_ok();
    Ok(same && kept.is_some())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_anybody_would_guess_is_refused() {
        for bad in [
            "short",
            "p-1400000000",
            "Alder Reach!!",
            "p-14p-14p-14p-14",
            "aaaabbbbccccdddd",
            "earlywood-earlywood",
        ] {
            let person = if bad.starts_with("p-140") {
                "p-1400000000"
            } else {
                "p-14"
            };
            assert!(check("password", bad, person, "Alder Reach").is_err(), "{bad}");
        }
        assert!(check("password", "nine wet boots dry", "p-14", "Alder Reach").is_ok());
        assert!(check("password", &"ab cde".repeat(50), "p-14", "Alder Reach").is_err());
    }

    #[test]
    fn a_password_is_kept_as_owasp_says_and_known_again() {
        let kept = hash("nine wet boots dry").unwrap();
        assert!(kept.starts_with("$argon2id$v=19$m=19456,t=2,p=1$"), "{kept}");
        assert!(is_right("nine wet boots dry", Some(&kept), &kept).unwrap());
        assert!(!is_right("nine wet boots wet", Some(&kept), &kept).unwrap());
        assert!(!is_right("nine wet boots dry", None, &kept).unwrap());
    }
}
