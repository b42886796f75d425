//! Where a request comes from: its address, the name it was sent to, and the page that sent it.

use std::net::{IpAddr, Ipv6Addr};
use std::sync::Arc;

use axum::http::header::{HOST, HeaderMap, ORIGIN};
use axum::http::request::Parts;
use axum::http::{Extensions, StatusCode};

use super::session::Token;
use crate::office::problem::Problem;
use crate::office::state::Office;

/// The header field in which pages send the session's token against forged requests.
pub(crate) const X_CSRF: &str = "x-earlywood-csrf";

/// The other end of the connection.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Peer(pub(crate) IpAddr);

fn text<'h>(headers: &'h HeaderMap, name: &str) -> Option<&'h str> {
    headers.get(name)?.to_str().ok()
}

/// The address for which waits are reckoned. What a proxy says is believed only where one was announced, and only its own
/// word (the last), not what the request brought along. Of IPv6 the network counts: a machine has as many addresses in
/// it as it likes.
pub(crate) fn address(office: &Office, headers: &HeaderMap, extensions: &Extensions) -> IpAddr {
    let forwarded = || {
        let last = headers
            .get_all("x-forwarded-for")
            .iter()
            .next_back()?
            .to_str()
            .ok()?;
        last.rsplit(',').next()?.trim().parse::<IpAddr>().ok()
    };
    let peer = extensions
        .get::<Peer>()
        .map_or(IpAddr::V6(Ipv6Addr::UNSPECIFIED), |peer| peer.0);
    let address = match office.config.behind_proxy {
        true => forwarded().unwrap_or(peer),
        false => peer,
    };
    match address.to_canonical() {
        IpAddr::V6(v6) => {
            let s = v6.segments();
            IpAddr::V6(Ipv6Addr::new(s[0], s[1], s[2], s[3], 0, 0, 0, 0))
        }
        v4 => v4,
    }
}

/// The host and port that the request was sent to, as its page names them.
pub(crate) fn authority(headers: &HeaderMap) -> Option<&str> {
    text(headers, HOST.as_str())
}

/// The host of an authority, without its port.
pub(crate) fn host_of(authority: &str) -> &str {
    match authority.strip_prefix('[') {
        Some(v6) => v6.split_once(']').map_or(v6, |(host, _)| host),
        None => authority.rsplit_once(':').map_or(authority, |(host, _)| host),
    }
}

/// Whether the page came encrypted.
pub(crate) fn is_https(office: &Office, headers: &HeaderMap) -> bool {
    office.config.tls
        || (office.config.behind_proxy
            && text(headers, "x-forwarded-proto").is_some_and(|p| p.trim() == "https"))
}

/// Scheme, host and port of this server's own pages.
pub(crate) fn own_origin(office: &Office, headers: &HeaderMap) -> Option<String> {
    let scheme = if is_https(office, headers) {
        "https"
    } else {
        "http"
    };
    Some(format!("{scheme}://{}", authority(headers)?.to_ascii_lowercase()))
}

/// Whether a browser treats the page as safe enough for a service worker and a camera: encrypted, or this machine's own.
pub(crate) fn is_secure(office: &Office, headers: &HeaderMap) -> bool {
    is_https(office, headers) || authority(headers).is_some_and(|a| is_loopback_name(host_of(a)))
}

/// Whether a name can only mean this machine.
pub(crate) fn is_loopback_name(host: &str) -> bool {
    host.eq_ignore_ascii_case("localhost")
        || host
            .parse::<IpAddr>()
            .is_ok_and(|ip| ip.to_canonical().is_loopback())
}

/// Refuses a request that a page of another site made a browser send.
pub(crate) fn check(office: &Arc<Office>, parts: &Parts) -> Result<(), Problem> {
    check_headers(office, &parts.headers)
}

/// As [`check`].
pub(crate) fn check_headers(office: &Office, headers: &HeaderMap) -> Result<(), Problem> {
    let foreign = || {
        Problem::new(
            StatusCode::FORBIDDEN,
            "foreign-page",
            "this request came from a page of another site and was refused",
        )
    };
    // Every browser of today says where a request comes from; "none" is the person's own address bar.
    if text(headers, "sec-fetch-site").is_some_and(|site| site != "same-origin" && site != "none") {
        return Err(foreign());
    }
    match text(headers, ORIGIN.as_str()) {
        Some(origin) if own_origin(office, headers).is_none_or(|own| own != origin.to_ascii_lowercase()) => {
            Err(foreign())
        }
        _ => Ok(()),
    }
}

/// Refuses a request without its session's own token.
pub(crate) fn check_csrf(headers: &HeaderMap, token: &Token) -> Result<(), Problem> {
    let given = text(headers, X_CSRF).unwrap_or_default();
    // Compared as BLAKE3 hashes, which is done in constant time.
    if blake3::hash(given.as_bytes()) == blake3::hash(token.csrf().as_bytes()) {
        return Ok(());
    }
    Err(Problem::new(
        StatusCode::FORBIDDEN,
        "csrf",
        "the page's token is missing or old; load the page again",
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hosts_are_read_from_authorities() {
        for (authority, host) in [
            ("localhost:8640", "localhost"),
            ("office.example", "office.example"),
            ("[::1]:8640", "::1"),
            ("127.0.0.1:1", "127.0.0.1"),
        ] {
            assert_eq!(host_of(authority), host);
        }
        assert!(is_loopback_name("127.0.0.2") && is_loopback_name("::1") && is_loopback_name("LocalHost"));
        assert!(!is_loopback_name("localhost.example") && !is_loopback_name("10.0.0.1"));
    }
}
