//! The API as a client sees it, over loopback.

use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::time::Duration;

use reqwest::{Client, StatusCode};
use tokio::net::TcpListener;
use tokio::sync::oneshot;
use tokio::task::JoinHandle;
use tokio::time::timeout;
use utoipa::OpenApi as _;

use super::*;
use crate::settings::{Password, Secret};
use crate::site::{Bus, Circuit, CircuitEntry, EndUse, Epoch, Plan, Role, Service, System};
use crate::status::Part;
use crate::units::{Stamp, Watts};

/// No condition that a test waits for takes longer.
const PATIENCE: Duration = Duration::from_secs(5);
const BODY: &str = r#"{"site":"heron-lane","at":"2026-02-03T18:00:00-07:00","grid_w":1500.5,"generation_w":0.0,"consumption_w":1500.5,"tracked_w":1400.0,"untracked_w":100.5,"surplus_w":0.0,"circuits":{"range":{"w":1400.0},"dryer":{"w":null}},"buses":{"main":{"feed_w":1500.5,"untracked_w":100.5}},"unknown":["house/7"]}"#;
mod packed;
mod sentences;
mod verify;
mod who;

const HOSTILE: &str = "<script>alert(\"&'1'\")</script>";

/// Invented: a site of two circuits, one with a label that a page must not run.
fn site() -> Site {
    let circuit = |id: &str, label: &str| Circuit {
        id: id.into(),
        entries: vec![CircuitEntry {
            span: Stamp::MIN..Stamp::MAX,
            label: label.into(),
            end_use: EndUse::Cooking,
            role: Role::Load,
            bus: 1,
            spaces: vec![10, 12],
            legs: vec![],
            breaker_a: None,
            ct_rating_a: None,
            terms: vec![],
            cts: vec![],
            doubled: false,
            line: 1,
            written: Default::default(),
            trade: Default::default(),
        }],
    };
    let bus = |id: &str, parent| Bus {
        id: id.into(),
        name: id.into(),
        parent,
        fed_by: None,
        rating_a: None,
        panel: Default::default(),
    };
    Site {
        id: "heron-lane".into(),
        name: format!("Heron Lane {HOSTILE}"),
        time_zone: "America/Denver".into(),
        billing_day: 1,
        late_window: None,
        loading: Default::default(),
        service: Service { system: System::SplitPhase120_240, main_breaker_a: None },
        devices: vec![],
        channels: vec![],
        buses: vec![bus("service", None), bus("main", Some(0))],
        circuits: vec![circuit("range", HOSTILE), circuit("dryer", "Dryer")],
        feeds: vec![],
        accepts: vec![],
        splits: vec![],
        epochs: vec![Epoch { span: Stamp::MIN..Stamp::MAX, plan: Plan::default() }],
    }
}

/// Notes in memory; a note that says "disk full" is one that the store cannot take.
fn notes() -> Notes {
    use crate::history::{Note, NoteBy};
    use crate::store::NoteRefused;
    let kept: Arc<std::sync::Mutex<Vec<Note>>> = Arc::default();
    let listed = Arc::clone(&kept);
    Notes {
        list: Arc::new(move |_, range| {
            let kept = listed.lock().expect("no panic");
            Ok(kept.iter().filter(|note| note.touches(&range)).cloned().collect())
        }),
        change: Arc::new(move |_, change| {
            let mut kept = kept.lock().expect("no panic");
            match change {
                NoteChange::Add { text, .. } if text == "disk full" => Err("the disk is full".into()),
                NoteChange::Add { start, end, text } => {
                    let id = 1 + kept.last().map_or(0, |note| note.id);
                    kept.push(Note { id, start, end, by: NoteBy::Person, text });
                    Ok(Ok(kept[kept.len() - 1].clone()))
                }
                NoteChange::Remove { id } => {
                    let place = kept.iter().position(|note| note.id == id);
                    Ok(place.map(|place| kept.remove(place)).ok_or(NoteRefused::Unknown(id)))
                }
            }
        }),
    }
}

/// A daemon in which a load step of another circuit is under way.
struct NoSteps;

impl LoadSteps for NoSteps {
    fn start(&self, _: &Arc<Site>, _: usize) -> Result<(), StepRefused> {
        let (started, ends) = (Stamp::from_seconds(1_770_000_000), Stamp::from_seconds(1_770_000_900));
        Err(StepRefused::Busy { circuit: "range".into(), started, ends })
    }

    fn state(&self, _: &str) -> Option<Watched> {
        None
    }

    fn end(&self, _: &str) -> bool {
        false
    }

    fn proofs(&self, _: &str) -> Vec<crate::verify::Proof> {
        Vec::new()
    }
}

/// A daemon whose files cannot be written.
struct NoSetUp;

impl SetUp for NoSetUp {
    fn look(&self, _: &str) -> Result<Seen, String> {
        Ok(Seen { trouble: "the broker is away".into(), ..Seen::default() })
    }

    fn map(&self, site: &str) -> Result<String, String> {
        Err(format!("there is no map of {site}"))
    }

    fn write(&self, _: String, _: String) -> futures_util::future::BoxFuture<'_, Result<Written, String>> {
        Box::pin(async { Err("read-only file system".into()) })
    }
}

/// A served API, and the daemon's ends of its channels.
struct Served {
    address: SocketAddr,
    client: Client,
    board: Arc<Board>,
    newest: watch::Sender<NowBody>,
    table: watch::Sender<Arc<NowTable>>,
    audits: watch::Sender<Audits>,
    _sites: watch::Sender<Arc<Vec<Arc<Site>>>>,
    _keys: watch::Sender<Arc<access::Options>>,
    stop: oneshot::Sender<()>,
    serving: JoinHandle<std::io::Result<()>>,
}

impl Served {
    async fn start(password: Option<&str>) -> Self {
        let clock = Clock::wall();
        let board = Arc::new(Board::new(clock.now()));
        let (newest, receiver) = watch::channel(NowBody::new());
        let (table, now) = watch::channel(Arc::new(BTreeMap::from([("heron-lane".to_owned(), receiver)])));
        let (sites_sender, sites) = watch::channel(Arc::new(vec![Arc::new(site())]));
        let history: History = Arc::new(|query| match query.by.as_deref() {
            Some("day") => {
                Ok(format!(r#"{{"by":"day","time_zone":"{}","intervals":[]}}"#, query.site.time_zone))
            }
            Some("never") => Err(HistoryError::Failed("disk on fire".into())),
            Some("panic") => panic!("a bug in a query"),
            by => Err(HistoryError::Asked { what: format!("by is {by:?}"), hint: "write day".into() }),
        });
        let password = password.map(|text| Password::Plain(Secret::new(text)));
        let access = access::Options { password, ..Default::default() };
        let export: super::Exporter = Arc::new(|_| Ok("a,b\r\n".into()));
        let import: super::Importer = Arc::new(|_, readings| {
            Ok(crate::store::Imported { new: readings.len() as u64, ..Default::default() })
        });
        let notes = notes();
        let board_there = Arc::clone(&board);
        let channels = watch::channel(Arc::default()).1;
        let (audits_sender, audits) = watch::channel(Audits::default());
        let (keys, access) = watch::channel(Arc::new(access));
        let state = State {
            sites,
            now,
            channels,
            history,
            export,
            import,
            notes,
            steps: Arc::new(NoSteps),
            set_up: Arc::new(NoSetUp),
            board: board_there,
            clock,
            access,
            audits,
        };
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("bind");
        let address = listener.local_addr().expect("address");
        let (stop, stopped) = oneshot::channel();
        let serving = tokio::spawn(serve(listener, state, None, async {
            let _ = stopped.await;
        }));
        let _ = rustls::crypto::ring::default_provider().install_default();
        let client = Client::builder().no_proxy().build().expect("client");
        Self {
            address,
            client,
            board,
            newest,
            table,
            audits: audits_sender,
            _sites: sites_sender,
            _keys: keys,
            stop,
            serving,
        }
    }

    fn url(&self, path: &str) -> String {
        format!("http://{}{path}", self.address)
    }

    async fn get(&self, path: &str) -> (StatusCode, String) {
        let answer = self.client.get(self.url(path)).send().await.expect("an answer");
        (answer.status(), answer.text().await.expect("a body"))
    }

    async fn json(&self, path: &str) -> (StatusCode, serde_json::Value) {
        let (status, body) = self.get(path).await;
        (status, serde_json::from_str(&body).unwrap_or_else(|error| panic!("{path}: {error}: {body}")))
    }

    fn show(&self, body: &'static str) {
        self.newest.send_replace(NowBody::from_static(body.as_bytes()));
    }
}

#[tokio::test]
async fn sites_and_now() {
    let served = Served::start(None).await;
    let (status, sites) = served.json("/api/sites").await;
    assert_eq!(status, 200);
    assert_eq!(sites["sites"][0]["site"], "heron-lane");
    assert_eq!(sites["sites"][0]["time_zone"], "America/Denver");
    assert_eq!(sites["sites"][0]["circuits"][1]["label"], "Dryer");
    assert_eq!(sites["sites"][0]["circuits"][1]["bus"], "main");

    let (status, early) = served.json("/api/sites/heron-lane/now").await;
    assert_eq!(
        (status, &early["error"]),
        (StatusCode::SERVICE_UNAVAILABLE, &"there are no figures yet".into())
    );
    served.show(BODY);
    let (status, body) = served.get("/api/sites/heron-lane/now").await;
    assert_eq!((status, body.as_str()), (StatusCode::OK, BODY), "the body goes out as it is");
    let now: Now = serde_json::from_str(BODY).expect("the shape fits");
    assert_eq!((now.grid_w, now.circuits["dryer"].w), (Some(1500.5), None));
}

/// The body is written in one place and described in another: they have the same fields.
#[test]
fn the_shape_of_now_is_that_of_the_body() {
    let map = include_str!("../../config/sites/heron-lane.toml");
    let site = crate::site::parse("heron-lane.toml", map).site.expect("the map is good");
    let at = Stamp::from_seconds(1_770_000_000);
    let figures = site.epoch(at).plan.figures.iter().map(|figure| (figure.key, Some(Watts(1.0)))).collect();
    let body = crate::publish::now_body(
        &site,
        &crate::flow::Flows { at, figures, unknown: vec![] },
        &Default::default(),
    );
    let now: Now = serde_json::from_str(&body).expect("the shape fits");
    assert_eq!(now.circuits["water-heater"].w, Some(1.0), "{body}");
    assert_eq!(now.buses["barn"].feed_w, Some(1.0), "{body}");
    let keys = |value: serde_json::Value| {
        let object = value.as_object().cloned().unwrap_or_default();
        object.into_iter().map(|(key, _)| key).collect::<std::collections::BTreeSet<_>>()
    };
    let written = keys(serde_json::from_str(&body).expect("JSON"));
    assert_eq!(written, keys(serde_json::to_value(&now).expect("JSON")));
}

#[tokio::test]
async fn history_answers_and_refuses() {
    let served = Served::start(None).await;
    let (status, body) = served.json("/api/sites/heron-lane/history?by=day&from=2026-02-01").await;
    assert_eq!((status, &body["time_zone"]), (StatusCode::OK, &"America/Denver".into()));
    for (path, expected, error) in [
        ("/api/sites/heron-lane/history?by=eon", 400, "by is Some(\"eon\")"),
        ("/api/sites/heron-lane/history?untill=x", 400, "\"untill\" is no parameter of history"),
        ("/api/sites/heron-lane/history?by=day&by=day", 400, "\"by\" is given twice"),
        ("/api/sites/heron-lane/history?by=never", 503, "the store could not answer: disk on fire"),
        ("/api/sites/heron-lane/history?by=panic", 503, "the store could not answer: the query ended early"),
        ("/api/sites/nowhere/history", 404, "there is no site \"nowhere\""),
        ("/api/sites/nowhere/now", 404, "there is no site \"nowhere\""),
        ("/live/nowhere", 404, "there is no site \"nowhere\""),
        ("/api/sites/%ff/now", 400, "bad request"),
        ("/api/elsewhere", 404, "there is nothing at this path"),
    ] {
        let (status, body) = served.json(path).await;
        assert_eq!((status.as_u16(), body["error"].as_str()), (expected, Some(error)), "{path}");
        assert!(body["hint"].as_str().is_some_and(|hint| !hint.is_empty()), "{path} says what to do");
    }
}

async fn parsed(answer: reqwest::Response) -> serde_json::Value {
    let text = answer.text().await.expect("a body");
    serde_json::from_str(&text).unwrap_or_else(|error| panic!("{error}: {text}"))
}

#[tokio::test]
async fn notes_are_added_shown_and_removed() {
    let served = Served::start(None).await;
    let path = "/api/sites/heron-lane/annotations";
    let post = |body: &str, kind: &'static str| {
        served.client.post(served.url(path)).header("content-type", kind).body(body.to_owned())
    };
    let note = r#"{"start":"2026-05-02T09:30","text":" dryer replaced "}"#;
    let answer = post(note, "application/json; charset=utf-8").send().await.expect("an answer");
    assert_eq!(answer.status(), 201);
    let added: serde_json::Value = parsed(answer).await;
    let at = "2026-05-02T09:30:00-06:00";
    let expected =
        serde_json::json!({"id": 1, "start": at, "end": at, "by": "person", "text": "dryer replaced"});
    assert_eq!(added, expected);
    let (_, listed) = served.json(path).await;
    assert_eq!(listed, serde_json::json!({"site": "heron-lane", "annotations": [expected]}));
    let (_, before) = served.json(&format!("{path}?to=2026-05-02")).await;
    assert_eq!(before["annotations"], serde_json::json!([]));
    let remove = |id: u32| served.client.delete(served.url(&format!("{path}/{id}")));
    assert_eq!(remove(1).send().await.expect("an answer").status(), 200);
    let again = remove(1).send().await.expect("an answer");
    assert_eq!(again.status(), 404);
    let why: serde_json::Value = parsed(again).await;
    assert!(why["error"].as_str().is_some_and(|why| why.contains("no note 1")), "{why}");

    for (body, kind, status, error) in [
        (note, "text/plain", 415, "what changes something is sent as JSON"),
        (note, "application/x-www-form-urlencoded", 415, "what changes something is sent as JSON"),
        ("{", "application/json", 400, "this is no note"),
        (r#"{"text":"x","colour":"red"}"#, "application/json", 400, "unknown field `colour`"),
        (r#"{"text":"  "}"#, "application/json", 400, "text: a note says something"),
        (r#"{"text":"x","start":"soon"}"#, "application/json", 400, "start: `soon`"),
        (r#"{"text":"x","start":"2026-05-02","end":"2026-05-01"}"#, "application/json", 400, "ends before"),
        (r#"{"text":"disk full"}"#, "application/json", 503, "the disk is full"),
    ] {
        let answer = post(body, kind).send().await.expect("an answer");
        assert_eq!(answer.status().as_u16(), status, "{body}");
        let why: serde_json::Value = parsed(answer).await;
        assert!(why["error"].as_str().is_some_and(|why| why.contains(error)), "{body}: {why}");
    }
    let long = format!(r#"{{"text":"{}"}}"#, "x".repeat(views::notes::MAX_BODY));
    assert_eq!(post(&long, "application/json").send().await.expect("an answer").status(), 413);
}

#[tokio::test]
async fn a_page_of_another_origin_changes_nothing() {
    let served = Served::start(None).await;
    let url = served.url("/api/sites/heron-lane/annotations");
    let own = format!("http://{}", served.address);
    for (origin, status) in [("https://elsewhere.example", 403), ("null", 403), (own.as_str(), 201)] {
        let post =
            served.client.post(&url).header("origin", origin).header("content-type", "application/json");
        let answer = post.body(r#"{"text":"x"}"#).send().await.expect("an answer");
        assert_eq!(answer.status().as_u16(), status, "{origin}");
    }
    let delete = served.client.delete(format!("{url}/1")).header("origin", "https://elsewhere.example");
    assert_eq!(delete.send().await.expect("an answer").status(), 403);
    // With a password nothing is changed without it.
    let guarded = Served::start(Some("correct horse")).await;
    let post = guarded.client.post(guarded.url("/api/sites/heron-lane/annotations"));
    let answer = post.header("content-type", "application/json").body(r#"{"text":"x"}"#).send().await;
    assert_eq!(answer.expect("an answer").status(), 401);
}

#[tokio::test]
async fn other_methods() {
    let served = Served::start(None).await;
    served.show(BODY);
    let head = served.client.head(served.url("/api/sites/heron-lane/now")).send().await.expect("an answer");
    assert_eq!(head.status(), 200);
    assert_eq!(head.headers()["content-length"].to_str().ok(), Some(BODY.len().to_string().as_str()));
    assert_eq!(head.text().await.expect("a body"), "");
    let post = served.client.post(served.url("/api/sites")).body(vec![b'x'; 1 << 20]).send().await;
    // The server may close before it has read a body that it does not want.
    if let Ok(answer) = post {
        assert_eq!(answer.status(), 405);
        assert_eq!(answer.headers()["allow"], "GET,HEAD");
    }
}

#[tokio::test]
async fn every_answer_has_strict_headers() {
    let served = Served::start(None).await;
    for path in ["/", "/api/sites", "/health", "/metrics", "/openapi.json", "/nowhere", "/static/style.css"] {
        let answer = served.client.get(served.url(path)).send().await.expect("an answer");
        let headers = answer.headers();
        assert_eq!(headers["x-content-type-options"], "nosniff", "{path}");
        let policy = headers["content-security-policy"].to_str().expect("text");
        assert!(policy.starts_with("default-src 'none'"), "{path}: {policy}");
        let kept = if path == "/static/style.css" { "no-cache" } else { "no-store" };
        assert_eq!(headers["cache-control"], kept, "{path}");
    }
}

#[tokio::test]
async fn health_turns_with_its_vital_parts() {
    let served = Served::start(Some("a password does not hide health")).await;
    let (status, body) = served.json("/health").await;
    assert_eq!((status.as_u16(), &body["status"]), (503, &"failing".into()));
    assert_eq!(body["parts"]["broker"]["why"], "starting");
    served.board.report(Part::Broker, true, "", Stamp::from_seconds(60));
    served.board.report(Part::Store, true, "", Stamp::from_seconds(60));
    let channels = Part::Channels("heron-lane".into());
    served.board.report(channels, false, "house/7 is silent", Stamp::from_seconds(90));
    let (status, body) = served.json("/health").await;
    assert_eq!((status.as_u16(), &body["status"]), (200, &"degraded".into()));
    assert_eq!(body["parts"]["broker"]["since"], "1970-01-01T00:01:00Z");
    assert_eq!(body["parts"]["channels/heron-lane"]["why"], "house/7 is silent");
}

#[tokio::test]
async fn metrics_have_the_content_type_of_openmetrics() {
    let served = Served::start(None).await;
    let answer = served.client.get(served.url("/metrics")).send().await.expect("an answer");
    assert_eq!(answer.headers()["content-type"], crate::status::OPENMETRICS);
    assert!(answer.text().await.expect("a body").ends_with("# EOF\n"));
}

#[test]
fn the_document_lists_every_route_and_no_other() {
    let document = super::openapi::Document::openapi();
    let mut documented: Vec<_> = document.paths.paths.keys().map(String::as_str).collect();
    let mut routed: Vec<_> = routes().into_iter().map(|(path, _)| path).collect();
    documented.sort_unstable();
    routed.sort_unstable();
    assert_eq!(documented, routed);
}

#[tokio::test]
async fn the_document_resolves_every_reference() {
    let served = Served::start(None).await;
    let (status, document) = served.json("/openapi.json").await;
    assert_eq!((status.as_u16(), &document["openapi"]), (200, &"3.1.0".into()));
    let text = document.to_string();
    let mut references = 0;
    for part in text.split("\"$ref\":\"#").skip(1) {
        let pointer = part.split('"').next().unwrap_or_default();
        assert!(document.pointer(pointer).is_some(), "{pointer} leads nowhere");
        references += 1;
    }
    assert!(references > 10, "the document refers to its schemas: {references}");
}

#[tokio::test]
async fn hostile_labels_are_text_on_the_page() {
    let served = Served::start(None).await;
    served.show(BODY);
    let (status, html) = served.get("/").await;
    assert_eq!(status, 200);
    assert!(!html.contains("<script>"), "{html}");
    assert!(
        html.contains("&lt;script&gt;alert(&quot;&amp;&#x27;1&#x27;&quot;)&lt;&#x2f;script&gt;"),
        "{html}"
    );
    assert!(html.contains("data-of=\"circuits.dryer.w\" data-unit=\"W\">unknown</data>"), "{html}");
    assert!(html.contains(">1.40\u{a0}kW</data>"), "{html}");
}

/// Reads a live stream until it has held `text`.
async fn until(answer: &mut reqwest::Response, seen: &mut String, text: &str) {
    while !seen.contains(text) {
        let chunk = answer.chunk().await.expect("the stream goes on").expect("the stream goes on");
        seen.push_str(std::str::from_utf8(&chunk).expect("events are text"));
    }
}

#[tokio::test]
async fn fifty_viewers_see_a_change_within_a_second() {
    let served = Served::start(None).await;
    served.show("{\"round\":1}");
    let mut viewers = Vec::new();
    for _ in 0..50 {
        let mut answer = served.client.get(served.url("/live/heron-lane")).send().await.expect("an answer");
        assert_eq!(answer.headers()["content-type"], "text/event-stream");
        let mut seen = String::new();
        timeout(PATIENCE, until(&mut answer, &mut seen, "data: {\"round\":1}\n\n"))
            .await
            .expect("the newest");
        assert!(seen.contains("event: now\n") && seen.contains("\nid: "), "{seen}");
        viewers.push((answer, seen));
    }
    assert_eq!(served.board.counters.live_viewers.get(), 50);
    served.show("{\"round\":2}");
    let changed = async {
        for (answer, seen) in &mut viewers {
            until(answer, seen, "data: {\"round\":2}\n\n").await;
        }
    };
    timeout(Duration::from_secs(1), changed).await.expect("a change reaches everybody within a second");

    drop(viewers);
    let deadline = tokio::time::Instant::now() + PATIENCE;
    while served.board.counters.live_viewers.get() > 0 {
        assert!(tokio::time::Instant::now() < deadline, "viewers that left are counted out");
        served.show("{\"round\":3}");
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
}

#[tokio::test]
async fn a_viewer_that_does_not_read_holds_nobody_up() {
    let served = Served::start(None).await;
    let large: &'static str = Box::leak(format!("{{\"pad\":\"{}\"}}", "x".repeat(100_000)).into_boxed_str());
    let slow = served.client.get(served.url("/live/heron-lane")).send().await.expect("an answer");
    for _ in 0..500 {
        served.show(large);
        tokio::task::yield_now().await;
    }
    served.show("{\"last\":1}");
    let mut other = served.client.get(served.url("/live/heron-lane")).send().await.expect("an answer");
    timeout(PATIENCE, until(&mut other, &mut String::new(), "{\"last\":1}"))
        .await
        .expect("it gets the newest");
    // What the slow one gets is what its socket held, then the newest; not 50 MB.
    let mut slow = slow;
    let mut seen = String::new();
    timeout(PATIENCE, until(&mut slow, &mut seen, "{\"last\":1}")).await.expect("it catches up");
    assert!(seen.len() < 30_000_000, "{} bytes were queued for it", seen.len());
}

#[tokio::test]
async fn streams_end_with_their_site_and_with_the_daemon() {
    let served = Served::start(None).await;
    served.show(BODY);
    let mut gone = served.client.get(served.url("/live/heron-lane")).send().await.expect("an answer");
    timeout(PATIENCE, until(&mut gone, &mut String::new(), "heron-lane")).await.expect("the newest");
    served.table.send_replace(Arc::new(NowTable::new()));
    let (newest, receiver) = watch::channel(NowBody::from_static(b"{\"again\":1}"));
    drop(served.newest);
    let ended = async { while gone.chunk().await.expect("an orderly end").is_some() {} };
    timeout(PATIENCE, ended).await.expect("the stream of a removed site ends");

    served.table.send_replace(Arc::new(NowTable::from([("heron-lane".to_owned(), receiver)])));
    let url = format!("http://{}/live/heron-lane", served.address);
    let mut live = served.client.get(url).send().await.expect("an answer");
    timeout(PATIENCE, until(&mut live, &mut String::new(), "again")).await.expect("the newest");
    served.stop.send(()).expect("it serves");
    let ended = async { while live.chunk().await.expect("an orderly end").is_some() {} };
    timeout(PATIENCE, ended).await.expect("the stream ends with the daemon");
    timeout(PATIENCE, served.serving).await.expect("it stops").expect("no panic").expect("no error");
    drop(newest);
}

#[test]
fn the_reference_has_every_route_and_metric() {
    let reference = include_str!("../../docs/api.md");
    for (path, _) in routes() {
        assert!(reference.contains(&format!("| `{path}")), "docs/api.md lacks {path}");
    }
    let board = Board::new(Stamp(0));
    board.refused("x", 1);
    board.command_refused("x");
    board.central_behind("x", 1);
    board.channels_stale("x", 1);
    board.rederiving("x", 1, Stamp(0));
    let metrics = board.metrics();
    let mut count = 0;
    for family in metrics.lines().filter_map(|line| line.strip_prefix("# TYPE ")) {
        let name = family.split(' ').next().unwrap_or_default();
        assert!(reference.contains(&format!("`{name}")), "docs/api.md lacks {name}");
        count += 1;
    }
    assert!(count > 10, "{metrics}");
    for part in reference.split("`panelwright_").skip(1) {
        let name = part.split(['`', '{']).next().unwrap_or_default();
        assert!(metrics.contains(&format!("\npanelwright_{name}")), "{name} of docs/api.md is no metric");
    }
}
