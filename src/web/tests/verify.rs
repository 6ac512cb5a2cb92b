//! Load steps over the API: what is refused and why. What they find is tested with the built program.

use super::*;

#[tokio::test]
async fn a_load_step_is_begun_by_an_own_page_or_a_program_one_at_a_time() {
    let served = Served::start(None).await;
    let path = "/api/sites/heron-lane/verify";
    let (status, none) = served.json(path).await;
    assert_eq!((status, &none["state"], &none["verdict"]), (StatusCode::OK, &"none".into(), &().into()));
    assert!(none["cautions"][0].as_str().is_some_and(|text| text.contains("Never open a panel")), "{none}");
    let dryer = r#"{"circuit":"dryer"}"#;
    for (body, kind, origin, status, word) in [
        (
            dryer,
            "application/json",
            None,
            409,
            "a load step of range is under way since 2026-02-01T19:40:00-07:00",
        ),
        (dryer, "application/json", Some("http://elsewhere.example"), 403, "another origin"),
        (dryer, "text/plain", None, 415, "sent as JSON"),
        ("{", "application/json", None, 400, "names no circuit"),
        (r#"{"circuit":"sauna"}"#, "application/json", None, 404, "no circuit \"sauna\""),
    ] {
        let mut request = served.client.post(served.url(path)).header("content-type", kind).body(body);
        if let Some(origin) = origin {
            request = request.header("origin", origin);
        }
        let answer = request.send().await.expect("an answer");
        assert_eq!(answer.status().as_u16(), status, "{body}");
        let said = parsed(answer).await;
        assert!(said["error"].as_str().is_some_and(|error| error.contains(word)), "{said}");
        if status == 409 {
            let hint = said["hint"].as_str().expect("a hint");
            assert!(hint.contains("/api/sites/heron-lane/verify/end") && hint.contains("19:55:00"), "{hint}");
        }
    }
    let end = served.client.post(served.url(&format!("{path}/end"))).send().await.expect("an answer");
    assert_eq!(end.status(), 409, "none runs here");
    let (status, proofs) = served.json("/api/sites/heron-lane/proofs").await;
    assert_eq!((status, &proofs["proofs"]), (StatusCode::OK, &serde_json::json!([])));
    let (status, _) = served.json("/api/sites/heron-lane/proofs?x=1").await;
    assert_eq!(status, StatusCode::OK);
    let (status, _) = served.json("/api/sites/nowhere/verify").await;
    assert_eq!(status, StatusCode::NOT_FOUND);
}
