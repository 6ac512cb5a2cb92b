use super::*;

const MINUTE_MS: i64 = 60_000;

/// Options as they stay; nobody changes them.
fn fixed(options: Options) -> watch::Receiver<Arc<Options>> {
    watch::channel(Arc::new(options)).1
}

fn door(password: Password) -> Door {
    let (token, kept) = new_token();
    let hash = kept.strip_prefix("sha256:").expect("the prefix").to_owned();
    assert_eq!((token.len(), hash.len()), (43, 64));
    let bytes = digest(&SHA256, b"wall");
    let hash = bytes.as_ref().try_into().expect("32 bytes");
    let tokens = vec![Token { name: "wall-display".into(), hash }];
    let local_key = Some(Secret::new("key of this machine"));
    let options = Options { password: Some(password), tokens, local_key, ..Options::default() };
    Door::new(fixed(options), Clock::wall())
}

#[tokio::test]
async fn a_new_password_ends_the_sessions_of_the_former() {
    let plain = |text: &str| {
        let password = Some(Password::Plain(Secret::new(text)));
        Arc::new(Options { password, ..Options::default() })
    };
    let (change, options) = watch::channel(plain("one of these"));
    let door = Door::new(options, Clock::wall());
    let cookie = door.sign_in("one of these").await.expect("heard").expect("right");
    let headers = sent(header::COOKIE, &format!("{}={}", cookie.name, cookie.value));
    let mut changes = door.changes();
    assert!(!changes.has_changed().expect("it is there"));
    // Sent again as it is: nobody is put out.
    change.send_replace(plain("one of these"));
    assert!(door.identify(&headers).await.expect("heard").is_some());
    assert!(changes.has_changed().expect("it is there"), "streams look again who is there");
    changes.mark_unchanged();
    change.send_replace(plain("another"));
    assert!(door.identify(&headers).await.expect("heard").is_none());
    assert!(door.sign_in("one of these").await.expect("heard").is_none());
    assert!(door.sign_in("another").await.expect("heard").is_some());
}

fn sent(name: header::HeaderName, value: &str) -> HeaderMap {
    HeaderMap::from_iter([(name, value.parse().expect("a header"))])
}

fn basic(user: &str, password: &str) -> HeaderMap {
    let both = base64::engine::general_purpose::STANDARD.encode(format!("{user}:{password}"));
    sent(header::AUTHORIZATION, &format!("Basic {both}"))
}

#[tokio::test]
async fn everybody_is_told_by_what_they_send() {
    for password in [Password::Plain(Secret::new("a: b")), Password::Hash(Secret::new(hash("a: b")))] {
        let door = door(password);
        let check = async |headers: HeaderMap, expected: Option<Who>| {
            let found = door.identify(&headers).await;
            let who = found.ok().flatten().map(|caller| caller.who);
            assert_eq!(who, expected, "{headers:?}");
        };
        // The second time the hash is known; the answer is the same.
        for _ in 0..2 {
            check(basic(USER, "a: b"), Some(Who::Owner)).await;
        }
        check(basic(USER, "a: c"), None).await;
        check(basic("root", "a: b"), None).await;
        check(basic(USER, &"x".repeat(5000)), None).await;
        check(sent(header::AUTHORIZATION, "bearer wall"), Some(Who::Token("wall-display".into()))).await;
        check(sent(header::AUTHORIZATION, "Bearer hall"), None).await;
        check(sent(header::AUTHORIZATION, "Bearer key of this machine"), Some(Who::Owner)).await;
        check(sent(header::AUTHORIZATION, "Digest x"), None).await;
        check(HeaderMap::new(), None).await;
        check(sent(header::COOKIE, &format!("a=b; {TOKEN}=wall")), Some(Who::Token("wall-display".into())))
            .await;
        check(sent(header::COOKIE, &format!("{SESSION}=wall; {TOKEN}=hall")), None).await;
    }
}

#[tokio::test]
async fn signing_in_and_out() {
    let door = door(Password::Plain(Secret::new("open")));
    assert!(matches!(door.sign_in("shut").await, Ok(None)));
    let cookie = door.sign_in("open").await.expect("heard").expect("right");
    assert_eq!((cookie.name, cookie.value.len()), (SESSION, 43));
    let headers = sent(header::COOKIE, &format!("{SESSION}={}", cookie.value));
    let caller = door.identify(&headers).await.expect("heard").expect("known");
    assert!(caller.may_change() && caller.by_cookie);
    assert!(caller.csrf.is_some_and(|csrf| csrf.len() == 43 && csrf != cookie.value));
    let forgotten = door.sign_out(&headers);
    assert!(
        forgotten.iter().all(|cookie| cookie.header().to_str().is_ok_and(|text| text.contains("Max-Age=0")))
    );
    assert!(door.identify(&headers).await.expect("heard").is_none());

    let cookie = door.sign_in("wall").await.expect("heard").expect("right");
    assert_eq!((cookie.name, cookie.value.as_str()), (TOKEN, "wall"));
    let caller = door.identify(&sent(header::COOKIE, &format!("{TOKEN}=wall"))).await.expect("heard");
    assert!(!caller.expect("known").may_change());
}

#[test]
fn cookies_are_for_this_program_alone() {
    let check = |base: &str, https: bool, expected: &str| {
        let url = PublicUrl { authority: "x".into(), base: base.into(), is_https: https, is_local: true };
        let options = Options { public_url: Some(url), ..Options::default() };
        let door = Door::new(fixed(options), Clock::wall());
        let header = door.cookie(SESSION, "v".into(), Duration::from_secs(9)).header();
        assert_eq!(header.to_str().ok(), Some(expected));
    };
    check("", false, "panelwright-session=v; Path=/; Max-Age=9; HttpOnly; SameSite=Lax");
    check("/panel", true, "panelwright-session=v; Path=/panel/; Max-Age=9; HttpOnly; SameSite=Lax; Secure");
}

#[test]
fn sessions_end_in_time_and_are_bounded() {
    let sessions = Sessions::new(Duration::from_secs(3600));
    let first = sessions.open(0);
    assert!(sessions.find(&first, 59 * MINUTE_MS).is_some());
    assert!(sessions.find(&first, 60 * MINUTE_MS).is_none());
    let second = sessions.open(MINUTE_MS);
    let more: Vec<_> = (0..sessions::MAX_SESSIONS - 1).map(|_| sessions.open(2 * MINUTE_MS)).collect();
    assert!(sessions.find(&first, 2 * MINUTE_MS).is_none(), "the oldest made room");
    assert!(sessions.find(&second, 2 * MINUTE_MS).is_some());
    assert!(more.iter().all(|id| sessions.find(id, 2 * MINUTE_MS).is_some()));
    sessions.close(&second);
    assert!(sessions.find(&second, 2 * MINUTE_MS).is_none());
}

#[test]
fn a_hash_is_argon2id_with_the_cost_that_is_documented() {
    let made = hash("x");
    assert!(made.starts_with("$argon2id$v=19$m=19456,t=2,p=1$"), "{made}");
    assert_ne!(made, hash("x"), "each has a salt of its own");
    assert!(matches!(Password::new(Secret::new(made)), Ok(Password::Hash(_))));
}
