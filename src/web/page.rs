//! One plain page: the live figures of every site, without script.

use std::fmt::Write as _;
use std::sync::Arc;

use axum::extract::State;
use axum::http::header;
use axum::response::{IntoResponse, Response};

use super::shapes::Now;
use super::{Shared, api};
use crate::site::Site;

/// Sites on the page: more are for a screen of their own, and the page stays below 1 MB.
const MAX_SITES: usize = 50;

const STYLE: &str = "\
body { font: 16px/1.5 system-ui, sans-serif; max-width: 44rem; margin: 2rem auto; padding: 0 1rem; }\n\
table { border-collapse: collapse; width: 100%; }\n\
th, td { text-align: left; padding: 0.2rem 0.5rem; border-bottom: 1px solid #ccc; }\n\
th.w, td.w { text-align: right; font-variant-numeric: tabular-nums; }\n\
@media (prefers-color-scheme: dark) { body { background: #111; color: #ddd; } a { color: #9cf; } }\n";

/// The live figures of every site, for a browser.
#[utoipa::path(get, path = "/", responses((status = 200, body = String, content_type = "text/html")))]
pub(super) async fn page(State(shared): State<Arc<Shared>>) -> Response {
    let sites = Arc::clone(&shared.state.sites.borrow());
    let mut html = String::from(
        "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width\">\n<meta http-equiv=\"refresh\" content=\"5\">\n\
         <link rel=\"stylesheet\" href=\"/style.css\">\n<title>Panelwright</title>\n</head>\n<body>\n\
         <h1>Panelwright</h1>\n",
    );
    if sites.is_empty() {
        html.push_str("<p>There is no site yet: put a map into the directory of sites.</p>\n");
    }
    for site in sites.iter().take(MAX_SITES) {
        let body = api::newest(&shared, &site.id);
        let now: Option<Now> = serde_json::from_slice(&body).ok();
        section(&mut html, site, now.as_ref());
    }
    if sites.len() > MAX_SITES {
        line(&mut html, format_args!("<p>{} more sites are in the API.</p>", sites.len() - MAX_SITES));
    }
    html.push_str(
        "<p>The page renews itself every 5 s. For programs: <a href=\"/api/sites\">sites</a>, \
         <a href=\"/health\">health</a>, <a href=\"/metrics\">metrics</a>, \
         <a href=\"/openapi.json\">the API's description</a>.</p>\n</body>\n</html>\n",
    );
    ([(header::CONTENT_TYPE, "text/html; charset=utf-8")], html).into_response()
}

/// The page's style sheet.
#[utoipa::path(get, path = "/style.css", responses((status = 200, body = String, content_type = "text/css")))]
pub(super) async fn style() -> Response {
    let kept = [(header::CONTENT_TYPE, "text/css; charset=utf-8"), (header::CACHE_CONTROL, "max-age=3600")];
    (kept, STYLE).into_response()
}

fn section(html: &mut String, site: &Site, now: Option<&Now>) {
    line(html, format_args!("<h2>{}</h2>", escape(&site.name)));
    let Some(now) = now else {
        html.push_str(
            "<p>There are no figures yet. <a href=\"/health\">Health</a> says what is missing.</p>\n",
        );
        return;
    };
    line(html, format_args!("<p>{}</p>", escape(&now.at)));
    html.push_str("<table>\n<tr><th>Figure</th><th class=\"w\">W</th></tr>\n");
    for (name, watts) in [
        ("Grid (below 0: export)", now.grid_w),
        ("Generation", now.generation_w),
        ("Consumption", now.consumption_w),
        ("Tracked", now.tracked_w),
        ("Untracked", now.untracked_w),
    ] {
        row(html, name, watts);
    }
    html.push_str("</table>\n<table>\n<tr><th>Circuit</th><th class=\"w\">W</th></tr>\n");
    let mut circuits: Vec<_> = now.circuits.iter().collect();
    let size = |watts: Option<f64>| watts.map_or(-1.0, f64::abs);
    circuits.sort_by(|(_, one), (_, other)| size(other.w).total_cmp(&size(one.w)));
    for (id, circuit) in circuits {
        let known = site.circuits.iter().find(|other| other.id == *id);
        row(html, known.map_or(id, |circuit| circuit.latest().label.as_str()), circuit.w);
    }
    html.push_str("</table>\n");
    if !now.unknown.is_empty() {
        line(html, format_args!("<p>Without a fresh value: {}</p>", escape(&now.unknown.join(", "))));
    }
    let id = escape(&site.id);
    line(
        html,
        format_args!(
            "<p><a href=\"/api/sites/{id}/now\">Now</a>, <a href=\"/api/sites/{id}/history?by=day\">by day</a>, \
             <a href=\"/live/{id}\">live stream</a></p>"
        ),
    );
}

fn row(html: &mut String, name: &str, watts: Option<f64>) {
    let watts = watts.map_or_else(|| "unknown".to_owned(), |watts| format!("{watts:.0}"));
    line(html, format_args!("<tr><td>{}</td><td class=\"w\">{watts}</td></tr>", escape(name)));
}

fn line(html: &mut String, text: std::fmt::Arguments<'_>) {
    writeln!(html, "{text}").expect("writing to a String does not fail");
}

/// Text as HTML has it, in element content and in attributes with double quotes.
fn escape(text: &str) -> String {
    let mut escaped = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => escaped.push_str("&amp;"),
            '<' => escaped.push_str("&lt;"),
            '>' => escaped.push_str("&gt;"),
            '"' => escaped.push_str("&quot;"),
            '\'' => escaped.push_str("&#39;"),
            c => escaped.push(c),
        }
    }
    escaped
}
