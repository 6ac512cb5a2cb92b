//! The secret of a session's forms, in another guise on each page.
//!
//! Answers are compressed, and how long a compressed page is depends on whether something in it stands there
//! twice. A page from elsewhere that had a visitor's browser ask for ours over and over, with guesses in the
//! address that the page repeats, could read a secret off the lengths (the attack is known as BREACH). So it is
//! never the same text on two pages: a pad of chance, and the secret with that pad added (exclusive or).

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use ring::rand::{SecureRandom as _, SystemRandom};
use subtle::ConstantTimeEq as _;

/// The secret as one page shows it.
pub(in crate::web) fn masked(secret: &str) -> String {
    let mut both = vec![0; secret.len()];
    // The system's source does not fail once it runs; without chance there is nothing to go on with.
    SystemRandom::new().fill(&mut both).expect("the system has a source of chance");
    let hidden: Vec<u8> = both.iter().zip(secret.bytes()).map(|(pad, byte)| pad ^ byte).collect();
    both.extend(hidden);
    URL_SAFE_NO_PAD.encode(both)
}

/// Whether what a form holds is the secret as some page showed it.
pub(in crate::web) fn fits(given: &[u8], secret: &str) -> bool {
    let Ok(both) = URL_SAFE_NO_PAD.decode(given) else { return false };
    let (pad, hidden) = both.split_at(both.len() / 2);
    let shown: Vec<u8> = pad.iter().zip(hidden).map(|(pad, byte)| pad ^ byte).collect();
    pad.len() == hidden.len() && bool::from(shown.ct_eq(secret.as_bytes()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_any_page_showed_fits_and_nothing_else() {
        let secret = crate::web::access::chance();
        let (one, other) = (masked(&secret), masked(&secret));
        assert!(fits(one.as_bytes(), &secret) && fits(other.as_bytes(), &secret));
        assert!(one != other && !one.contains(&secret) && one.is_ascii());
        let check = |given: &str| assert!(!fits(given.as_bytes(), &secret), "{given}");
        check("");
        check("x");
        check("é");
        check(&secret);
        check(&one[1..]);
        check(&one[..one.len() - 4]);
        check(&masked(&crate::web::access::chance()));
        check(&format!("{one}AAAA"));
    }
}
