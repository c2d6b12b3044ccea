//! Requests and their answers: a page, its style, its script, its events (HTTP/1.1, RFC 9112).

use std::net::IpAddr;

/// Bytes of a request, beyond which it is none.
pub const MOST_REQUEST: usize = 8_192;

/// What a reader gets.
#[derive(Debug, PartialEq, Eq)]
pub enum Answer {
    /// This, and then the end.
    Whole(Vec<u8>),
    /// This, and then events.
    Events(Vec<u8>),
}

/// Sent with everything: nothing may be loaded from elsewhere, and no other page may frame this one.
const GUARDS: &str = "Content-Security-Policy: default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; \
    base-uri 'none'; form-action 'none'; frame-ancestors 'none'\r\nX-Content-Type-Options: nosniff\r\n\
    Referrer-Policy: no-referrer\r\nCache-Control: no-store\r\nConnection: close\r\n";

/// The answer to a request that came in at `local`.
pub fn answer(request: &[u8], local: Option<IpAddr>) -> Answer {
    let text = String::from_utf8_lossy(request);
    let mut lines = text.split("\r\n");
    let mut words = lines.next().unwrap_or_default().split(' ');
    let (method, path, version) = (words.next(), words.next(), words.next());
    let is_request = version.is_some_and(|v| v.starts_with("HTTP/1.")) && text.contains("\r\n\r\n");
    let host = lines
        .filter_map(|line| line.split_once(':'))
        .find_map(|(key, value)| key.eq_ignore_ascii_case("host").then(|| value.trim()));
    if !is_request {
        return whole("400 Bad Request", "text/plain", "This is no request.\n");
    }
    if !is_own(host, local) {
        return whole(
            "421 Misdirected Request",
            "text/plain",
            "Ask for this page by the address it is at.\n",
        );
    }
    if method != Some("GET") {
        return whole(
            "405 Method Not Allowed\r\nAllow: GET",
            "text/plain",
            "This can be looked at and nothing else.\n",
        );
    }
    match path {
        Some("/") => whole("200 OK", "text/html; charset=utf-8", include_str!("page.html")),
        Some("/page.css") => whole("200 OK", "text/css; charset=utf-8", include_str!("page.css")),
        Some("/page.js") => whole("200 OK", "text/javascript; charset=utf-8", include_str!("page.js")),
        Some("/events") => Answer::Events(
            format!("HTTP/1.1 200 OK\r\nContent-Type: text/event-stream\r\n{GUARDS}\r\n").into(),
        ),
        _ => whole("404 Not Found", "text/plain", "There is one page here, at /.\n"),
    }
}

fn whole(status: &str, kind: &str, body: &str) -> Answer {
    let length = body.len();
    Answer::Whole(
        format!(
            "HTTP/1.1 {status}\r\nContent-Type: {kind}\r\nContent-Length: {length}\r\n{GUARDS}\r\n{body}"
        )
        .into(),
    )
}

/// Whether the page was asked for by an address. A page elsewhere whose name was made to lead here (DNS rebinding) asks by that name.
/// On loopback only its own names do.
fn is_own(host: Option<&str>, local: Option<IpAddr>) -> bool {
    let Some(host) = host else { return false };
    let name = match host.rsplit_once(':') {
        Some((name, port)) if port.bytes().all(|b| b.is_ascii_digit()) => name,
        _ => host,
    };
    let name = name.trim_start_matches('[').trim_end_matches(']');
    match name.parse::<IpAddr>() {
        Ok(asked) => local.is_none_or(|local| !local.is_loopback() || asked.is_loopback()),
        Err(_) => name.eq_ignore_ascii_case("localhost"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn status(request: &str, local: &str) -> String {
        match answer(request.as_bytes(), Some(local.parse().unwrap())) {
            Answer::Whole(bytes) => String::from_utf8(bytes).unwrap().split(' ').nth(1).unwrap().to_string(),
            Answer::Events(_) => "events".into(),
        }
    }

    #[test]
    fn there_is_a_page_and_nothing_to_post_to() {
        let get =
            |path: &str| status(&format!("GET {path} HTTP/1.1\r\nHost: localhost:80\r\n\r\n"), "127.0.0.1");
        assert_eq!(["/", "/page.css", "/page.js", "/events"].map(get), ["200", "200", "200", "events"]);
        assert_eq!(["/x", "/../page.js", "//", "*"].map(get), ["404"; 4]);
        for method in ["POST", "PUT", "DELETE", "HEAD", "get"] {
            let text = format!("{method} / HTTP/1.1\r\nHost: localhost\r\n\r\n");
            assert_eq!(status(&text, "127.0.0.1"), "405");
        }
        for text in
            ["", "h1 1 0.100 L - - - 0 0 0000\r\n", "GET /\r\n\r\n", "GET / HTTP/1.1\r\nHost: localhost\r\n"]
        {
            assert_eq!(status(text, "127.0.0.1"), "400", "{text}");
        }
    }

    #[test]
    fn it_is_had_by_address_only() {
        let by = |host: &str, local: &str| status(&format!("GET / HTTP/1.1\r\nHOST: {host}\r\n\r\n"), local);
        for host in ["localhost", "LOCALHOST:81", "127.0.0.1:81", "[::1]:81"] {
            assert_eq!(by(host, "127.0.0.1"), "200", "{host}");
        }
        assert_eq!(by("192.0.2.7:81", "192.0.2.7"), "200");
        for host in ["pump.example", "192.0.2.7:81", "127.0.0.1.example:81", "localhost.example", ""] {
            assert_eq!(by(host, "127.0.0.1"), "421", "{host}");
        }
        assert_eq!(by("pump.example", "192.0.2.7"), "421");
        assert_eq!(status("GET / HTTP/1.0\r\n\r\n", "127.0.0.1"), "421");
    }

    #[test]
    fn nothing_comes_from_elsewhere() {
        for part in [include_str!("page.html"), include_str!("page.css"), include_str!("page.js")] {
            let outside = part.replace("http://www.w3.org/2000/svg", "");
            assert!(!outside.contains("//") || !outside.contains("http"), "{part}");
            assert!(!part.contains("innerHTML") && !part.contains("document.write"), "{part}");
        }
        let Answer::Whole(bytes) = answer(b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n", None) else {
            panic!()
        };
        assert!(String::from_utf8(bytes).unwrap().contains("default-src 'none'"));
    }
}
