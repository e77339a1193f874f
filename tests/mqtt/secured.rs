//! Encryption, passwords, access rules, and the check.

use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::time::Duration;

use dosewright::config::{RemoteKind, Tls};
use dosewright::mqtt::{Settings, Verdict, check};

use crate::support::{Broker, run, settings, start};

/// A throw-away authority, a certificate for localhost and 127.0.0.1, and one for us.
fn certificates(dir: &Path) {
    let make = |command: &str| run("openssl", &command.split(' ').collect::<Vec<_>>(), dir);
    make("ecparam -name prime256v1 -genkey -noout -out ca.key");
    make(
        "req -x509 -new -key ca.key -sha256 -days 2 -subj /CN=authority-of-a-test \
         -addext basicConstraints=critical,CA:TRUE -addext keyUsage=critical,keyCertSign,cRLSign -out ca.crt",
    );
    fs::write(dir.join("server.ext"), "basicConstraints=CA:FALSE\nextendedKeyUsage=serverAuth,clientAuth\nsubjectAltName=DNS:localhost,IP:127.0.0.1\n").unwrap();
    for who in ["server", "us"] {
        make(&format!(
            "ecparam -name prime256v1 -genkey -noout -out {who}.key"
        ));
        make(&format!(
            "req -new -key {who}.key -subj /CN={who} -out {who}.csr"
        ));
        make(&format!(
            "x509 -req -in {who}.csr -CA ca.crt -CAkey ca.key -CAcreateserial -sha256 -days 2 -extfile server.ext -out {who}.crt"
        ));
    }
}

const TLS: &str =
    "allow_anonymous true\ncafile DIR/ca.crt\ncertfile DIR/server.crt\nkeyfile DIR/server.key\n";

fn tls(broker: &Broker, own: bool) -> Tls {
    Tls {
        ca_file: broker.file("ca.crt"),
        client: own.then(|| (broker.file("us.crt"), broker.file("us.key"))),
    }
}

fn credentials(dir: &Path, user: &str, password: &str) -> PathBuf {
    let path = dir.join(format!("credentials-{user}"));
    fs::write(&path, format!("{user}\n{password}\n")).unwrap();
    fs::set_permissions(&path, fs::Permissions::from_mode(0o600)).unwrap();
    path
}

#[tokio::test]
async fn it_connects_encrypted_with_an_authority_of_its_own() {
    let broker = Broker::with(TLS, certificates).await;
    for host in ["localhost", "127.0.0.1"] {
        let mut s = settings(broker.port);
        s.broker.host = host.to_owned();
        s.broker.tls = Some(tls(&broker, false));
        let rig = start(s.clone(), "m1");
        rig.confirmed().await;
        rig.running.stop().await;
        let report = check(&s, "m1").await;
        assert!(report.is_good(), "{report:?}");
    }
}

#[tokio::test]
async fn a_broker_of_another_authority_or_another_name_is_not_trusted() {
    let broker = Broker::with(TLS, certificates).await;
    let other = tempfile::tempdir().unwrap();
    certificates(other.path());
    let mut s = settings(broker.port);
    s.broker.tls = Some(Tls {
        ca_file: other.path().join("ca.crt"),
        client: None,
    });
    let rig = start(s.clone(), "m1");
    let health = rig.health(|h| h.last_error.is_some()).await;
    let text = health.last_error.unwrap();
    assert!(text.contains("not signed by the authority"), "{text}");
    let report = check(&s, "m1").await;
    assert!(!report.is_good());
    assert!(
        report
            .findings
            .iter()
            .any(|f| f.text.contains("not signed by")),
        "{report:?}"
    );

    let mut s = settings(broker.port);
    s.broker.host = "127.0.0.2".to_owned();
    s.broker.tls = Some(tls(&broker, false));
    // 127.0.0.2 does not answer for a listener bound to 127.0.0.1; the check says what is wrong in either case.
    let report = check(&s, "m1").await;
    assert!(!report.is_good());
}

#[tokio::test]
async fn a_broker_that_wants_our_certificate_gets_it() {
    let broker = Broker::with(&format!("{TLS}require_certificate true\n"), certificates).await;
    let mut s = settings(broker.port);
    s.broker.tls = Some(tls(&broker, true));
    let rig = start(s, "m1");
    rig.confirmed().await;
    rig.running.stop().await;
    let mut s = settings(broker.port);
    s.broker.tls = Some(tls(&broker, false));
    let rig = start(s, "m1");
    rig.health(|h| h.failures >= 1).await;
    assert!(!rig.running.health.borrow().connected);
}

#[tokio::test]
async fn plain_to_an_encrypted_port_and_the_other_way_round_get_a_hint() {
    let broker = Broker::with(TLS, certificates).await;
    let rig = start(settings(broker.port), "m1");
    let text = rig
        .health(|h| h.last_error.is_some())
        .await
        .last_error
        .unwrap();
    assert!(text.contains("mqtt.tls"), "{text}");
    let plain = Broker::start().await;
    let mut s = settings(plain.port);
    s.broker.tls = Some(tls(&broker, false));
    let rig = start(s, "m1");
    let text = rig
        .health(|h| h.last_error.is_some())
        .await
        .last_error
        .unwrap();
    assert!(text.contains("is that port for TLS"), "{text}");
}

async fn guarded() -> Broker {
    Broker::with(
        "allow_anonymous false\npassword_file DIR/passwd\nacl_file DIR/acl\n",
        |dir| {
            fs::write(dir.join("passwd"), "").unwrap();
            fs::set_permissions(dir.join("passwd"), fs::Permissions::from_mode(0o600)).unwrap();
            for user in ["tank", "mute"] {
                run("mosquitto_passwd", &["-b", "passwd", user, "pass phrase 4711"], dir);
            }
            let rules = "user tank\ntopic readwrite dosewright/#\ntopic readwrite homeassistant/#\n\nuser mute\ntopic read nothing/here\n";
            fs::write(dir.join("acl"), rules).unwrap();
            credentials(dir, "tank", "pass phrase 4711");
            credentials(dir, "mute", "pass phrase 4711");
        },
    )
    .await
}

fn with_credentials(broker: &Broker, user: &str) -> Settings {
    let mut s = settings(broker.port);
    s.broker.credential_file = Some(broker.file(&format!("credentials-{user}")));
    s
}

#[tokio::test]
async fn it_logs_in_with_a_credential_file_and_never_shows_the_password() {
    let broker = guarded().await;
    let s = with_credentials(&broker, "tank");
    let rig = start(s.clone(), "m1");
    rig.confirmed().await;
    let report = check(&s, "m1").await;
    assert!(report.is_good(), "{report:?}");
    assert!(
        report
            .findings
            .iter()
            .any(|f| f.step == "retained" && f.verdict == Verdict::Works)
    );
    assert!(
        report
            .findings
            .iter()
            .any(|f| f.step == "discovery" && f.verdict == Verdict::Works)
    );
    assert!(
        report
            .findings
            .iter()
            .any(|f| f.text == "the daemon is connected now"),
        "{report:?}"
    );
    let shown = format!("{report:?} {s:?} {:?}", rig.running.health.borrow());
    assert!(!shown.contains("4711"), "{shown}");
    assert!(
        rig.running.health.borrow().connected,
        "the check did not throw the daemon out"
    );
}

#[tokio::test]
async fn a_refused_login_is_said_and_not_tried_in_a_hurry() {
    let broker = guarded().await;
    credentials(broker.file("").as_path(), "wrong", "guess");
    let mut s = with_credentials(&broker, "wrong");
    s.timing.back_off_refused = Duration::from_hours(1);
    let rig = start(s.clone(), "m1");
    let health = rig.health(|h| h.last_error.is_some()).await;
    let text = health.text(&jiff::tz::TimeZone::UTC);
    assert!(
        text.contains("does not accept the user name and password"),
        "{text}"
    );
    assert!(!text.contains("guess"));
    tokio::time::sleep(Duration::from_secs(1)).await;
    assert_eq!(rig.running.health.borrow().failures, 1);
    let report = check(&s, "m1").await;
    assert!(
        report
            .findings
            .iter()
            .any(|f| f.step == "login" && f.verdict == Verdict::Fails),
        "{report:?}"
    );
}

/// A broker says yes to a subscription that it will never serve, and to a message that it throws away.
#[tokio::test]
async fn access_rules_that_swallow_everything_are_noticed() {
    let broker = guarded().await;
    let s = with_credentials(&broker, "mute");
    let rig = start(s.clone(), "m1");
    let health = rig.health(|h| h.connected).await;
    assert!(!health.confirmed);
    assert!(
        health
            .text(&jiff::tz::TimeZone::UTC)
            .contains("access rules"),
        "{}",
        health.text(&jiff::tz::TimeZone::UTC)
    );
    let report = check(&s, "m1").await;
    assert!(
        report.findings.iter().any(|f| f.step == "publish"
            && f.verdict == Verdict::Fails
            && f.text.contains("access rules")),
        "{report:?}"
    );
}

#[tokio::test]
async fn the_check_says_when_nothing_is_there() {
    let report = check(
        &Settings::new("127.0.0.1", crate::support::free_port()),
        "m1",
    )
    .await;
    assert!(
        report.findings.iter().any(|f| f.step == "network"
            && f.verdict == Verdict::Fails
            && f.text.contains("cannot be reached")),
        "{report:?}"
    );
    let mut s = Settings::new("127.0.0.1", 1);
    s.broker.credential_file = Some(PathBuf::from("/nonexistent/credentials"));
    let report = check(&s, "m1").await;
    assert_eq!(report.findings.len(), 1);
    assert!(
        report.findings[0].text.contains("cannot be read"),
        "{report:?}"
    );
    assert!(RemoteKind::ALL.len() == 5);
}
