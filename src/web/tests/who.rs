//! Who is let in, over loopback.

use super::*;

#[tokio::test]
async fn the_password_is_asked_for() {
    let served = Served::start(Some("open: sesame")).await;
    let ask = |user: &'static str, password: &'static str| {
        let request = served.client.get(served.url("/api/sites")).basic_auth(user, Some(password));
        async { request.send().await.expect("an answer").status().as_u16() }
    };
    let bare = served.client.get(served.url("/api/sites")).send().await.expect("an answer");
    assert_eq!(bare.status(), 401);
    assert_eq!(bare.headers()["www-authenticate"], "Basic realm=\"panelwright\", charset=\"UTF-8\"");
    assert_eq!(ask(USER, "open: sesame").await, 200);
    assert_eq!(ask(USER, "open: sesam").await, 401);
    assert_eq!(ask("root", "open: sesame").await, 401);
    for header in ["Basic", "Basic !!!", "Bearer cGFuZWx3cmlnaHQ=", "é"] {
        let request = served.client.get(served.url("/metrics")).header("authorization", header.as_bytes());
        assert_eq!(request.send().await.expect("an answer").status(), 401, "{header}");
    }
}

#[tokio::test]
async fn guessing_is_braked() {
    let served = Served::start(Some("right")).await;
    let ask = async |password: &str| {
        let request = served.client.get(served.url("/api/sites")).basic_auth(USER, Some(password));
        request.send().await.expect("an answer").status().as_u16()
    };
    let mut statuses = Vec::new();
    for _ in 0..60 {
        statuses.push(ask("wrong").await);
    }
    let heard = statuses.iter().filter(|status| **status == 401).count();
    assert!((20..40).contains(&heard), "{heard} guesses of 60 were heard");
    assert_eq!(statuses.last(), Some(&429));
    assert_eq!(ask("right").await, 429, "while the brake holds no answer tells right from wrong");
    let deadline = tokio::time::Instant::now() + PATIENCE;
    while ask("right").await != 200 {
        assert!(tokio::time::Instant::now() < deadline, "the brake lets go");
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
}

#[tokio::test]
async fn without_a_password_it_answers_to_local_names_only() {
    let served = Served::start(None).await;
    for (host, expected) in [
        ("localhost:8433", 200),
        ("panel.localhost", 200),
        ("127.0.0.1", 200),
        ("[::1]:8433", 200),
        ("192.0.2.7:80", 200),
        ("rebound.example", 421),
        ("localhost.example:8433", 421),
    ] {
        let request = served.client.get(served.url("/api/sites")).header("host", host);
        assert_eq!(request.send().await.expect("an answer").status().as_u16(), expected, "{host}");
    }
}
