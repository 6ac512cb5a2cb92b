//! A client that follows nothing and keeps nothing, so that a test sees every header.

use std::time::Duration;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;

/// Asks one server.
pub struct Client {
    agent: ureq::Agent,
    base: String,
}

/// What it answered.
#[derive(Debug)]
pub struct Answer {
    /// The HTTP status.
    pub status: u16,
    /// The body, as text.
    pub body: String,
    headers: Vec<(String, String)>,
}

impl Answer {
    /// A header, empty if there is none.
    pub fn header(&self, name: &str) -> &str {
        self.headers.iter().find(|(other, _)| other == name).map_or("", |(_, value)| value)
    }
}

impl Client {
    /// `base` without a slash at its end.
    pub fn new(base: &str) -> Self {
        let config = ureq::Agent::config_builder()
            .http_status_as_error(false)
            .max_redirects(0)
            .max_redirects_will_error(false)
            .timeout_global(Some(Duration::from_secs(20)))
            .proxy(None)
            .build();
        Self { agent: ureq::Agent::new_with_config(config), base: base.to_owned() }
    }

    /// `GET path`.
    #[track_caller]
    pub fn get(&self, path: &str, headers: &[(&str, &str)]) -> Answer {
        self.ask("GET", path, headers, "")
    }

    /// `POST path`, a form unless a header says otherwise.
    #[track_caller]
    pub fn post(&self, path: &str, headers: &[(&str, &str)], body: &str) -> Answer {
        self.ask("POST", path, headers, body)
    }

    #[track_caller]
    fn ask(&self, method: &str, path: &str, headers: &[(&str, &str)], body: &str) -> Answer {
        let mut request = ureq::http::Request::builder().method(method).uri(format!("{}{path}", self.base));
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        if method == "POST" && headers.iter().all(|(name, _)| *name != "content-type") {
            request = request.header("content-type", "application/x-www-form-urlencoded");
        }
        let request = request.body(body.to_owned()).expect("a request");
        let mut answer = self.agent.run(request).unwrap_or_else(|why| panic!("{method} {path}: {why}"));
        let headers = answer.headers().iter();
        let headers =
            headers.map(|(name, value)| (name.to_string(), value.to_str().unwrap_or("").to_owned()));
        Answer {
            status: answer.status().as_u16(),
            headers: headers.collect(),
            body: answer.body_mut().read_to_string().expect("a text"),
        }
    }
}

/// The header of HTTP Basic for the user of this program.
pub fn basic(password: &str) -> String {
    format!("Basic {}", STANDARD.encode(format!("panelwright:{password}")))
}

/// A form as browsers send it.
pub fn form(fields: &[(&str, &str)]) -> String {
    let mut form = form_urlencoded::Serializer::new(String::new());
    form.extend_pairs(fields);
    form.finish()
}

/// What a browser sends back of a `Set-Cookie`.
pub fn cookie_of(set: &str) -> String {
    set.split(';').next().expect("a name and a value").to_owned()
}

/// What the forms of a page hold so that they count as the browser's own.
#[track_caller]
pub fn csrf_of(page: &str) -> String {
    let rest = page.split("name=\"csrf\" value=\"").nth(1).unwrap_or_else(|| panic!("no form in {page}"));
    rest.split('"').next().expect("a value").to_owned()
}
