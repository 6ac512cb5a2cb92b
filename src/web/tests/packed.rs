//! What goes over the wire smaller than it is, and what does not.

use std::io::Read as _;

use flate2::read::GzDecoder;

use super::*;

#[tokio::test]
async fn who_accepts_gzip_gets_pages_and_answers_so() {
    let served = Served::start(None).await;
    served.show(BODY);
    let ask = async |path: &str, accepted: &str| {
        let request = served.client.get(served.url(path)).header("accept-encoding", accepted);
        let answer = request.send().await.expect("an answer");
        let coding = answer.headers().get("content-encoding").map(|value| value.as_bytes().to_vec());
        let varies = answer.headers().get("vary").is_some_and(|value| value == "accept-encoding");
        (coding, varies, answer.bytes().await.expect("a body").to_vec())
    };
    for path in ["/sites/heron-lane", "/static/style.css", "/openapi.json"] {
        let (coding, varies, packed) = ask(path, "gzip, deflate, br").await;
        assert_eq!((coding.as_deref(), varies), (Some(&b"gzip"[..]), true), "{path}");
        let (coding, varies, plain) = ask(path, "identity").await;
        assert_eq!((coding, varies), (None, true), "{path}: a cache must not mix the two up");
        let mut unpacked = Vec::new();
        GzDecoder::new(&packed[..]).read_to_end(&mut unpacked).expect("it is gzip");
        assert_eq!(String::from_utf8_lossy(&unpacked), String::from_utf8_lossy(&plain), "{path}");
        assert!(2 * packed.len() < plain.len(), "{path}: {} bytes of {}", packed.len(), plain.len());
    }
    let (coding, _, body) = ask("/api/sites/heron-lane/now", "gzip").await;
    assert_eq!((coding, body.len()), (None, BODY.len()), "what fits into a packet is not packed");
}

#[tokio::test]
async fn events_go_out_as_they_are() {
    let served = Served::start(None).await;
    served.show(BODY);
    let request = served.client.get(served.url("/live/heron-lane")).header("accept-encoding", "gzip");
    let mut answer = request.send().await.expect("an answer");
    assert!(answer.headers().get("content-encoding").is_none());
    let mut seen = String::new();
    timeout(PATIENCE, until(&mut answer, &mut seen, "\n\n")).await.expect("the first event");
    assert!(seen.contains(BODY), "{seen}");
}
