//! What is told, as values: looks and outcomes go in, messages come out.

use jiff::Timestamp;
use jiff::tz::TimeZone;
use serde_json::{Value, json};

use super::desk::HANGS_LOOK;
use super::{Desk, Happened, Look, Message, Silence, run};
use crate::engine::{Now, Status};
use crate::quantity::Millis;

const SECOND: i64 = 1_000;
const MINUTE: i64 = 60 * SECOND;
const BEGIN: &str = "2026-11-30T12:00:00Z";

/// A desk, the time, and the alarms that the daemon shows.
struct Post {
    desk: Desk,
    t: i64,
    alarms: Vec<Value>,
}

impl Post {
    fn new() -> Self {
        Self {
            desk: Desk::new(),
            t: 0,
            alarms: Vec::new(),
        }
    }

    fn now(&self) -> Now {
        let begin: Timestamp = BEGIN.parse().unwrap();
        Now {
            wall: Timestamp::from_millisecond(begin.as_millisecond() + self.t).unwrap(),
            elapsed: Millis::new(90_000_000 + self.t),
        }
    }

    fn raise(&mut self, code: &str, subject: &str) {
        self.drop(code, subject);
        self.alarms.push(json!({
            "code": code, "subject": subject, "text": format!("{code} {subject}: look at it"),
            "since": format!("{:.0}", self.now().wall), "age_s": 0,
            "active": true, "acknowledged": false, "urgent": true,
        }));
    }

    fn set(&mut self, code: &str, key: &str, value: bool) {
        let alarm = self.alarms.iter_mut().find(|a| a["code"] == code).unwrap();
        alarm[key] = value.into();
    }

    fn drop(&mut self, code: &str, subject: &str) {
        self.alarms
            .retain(|a| a["code"] != code || a["subject"] != subject);
    }

    fn look(&mut self) {
        let mut status: Value =
            serde_json::from_str(include_str!("../../tests/golden/status.json")).unwrap();
        status["alarms"] = self.alarms.clone().into();
        status["at"] = format!("{:.0}", self.now().wall).into();
        let status: Status = serde_json::from_value(status).unwrap();
        let now = self.now();
        self.desk.look(&Look::Answered(Box::new(status)), now);
    }

    fn silent(&mut self, silence: Silence) {
        let now = self.now();
        self.desk.look(&Look::Silent(silence), now);
    }

    fn pass(&mut self, ms: i64) {
        self.t += ms;
    }

    fn next(&self) -> Option<Message> {
        self.desk.next(self.now())
    }

    /// Looks, and lets the program take all there is.
    fn tell(&mut self) -> Vec<Message> {
        self.look();
        self.deliver()
    }

    fn deliver(&mut self) -> Vec<Message> {
        let mut told = Vec::new();
        while let Some(message) = self.next() {
            let now = self.now();
            self.desk.told(&message, now);
            told.push(message);
        }
        told
    }
}

fn heads(messages: &[Message]) -> Vec<(Happened, String, u32)> {
    let head = |m: &Message| {
        let about = format!("{} {}", m.code, m.subject);
        (m.happened, about.trim_end().to_owned(), m.times)
    };
    messages.iter().map(head).collect()
}

fn raised(about: &str) -> (Happened, String, u32) {
    (Happened::Raised, about.to_owned(), 1)
}

#[test]
fn each_alarm_is_told_once_when_it_is_raised_and_once_when_it_is_over() {
    let mut post = Post::new();
    assert!(post.tell().is_empty());
    post.raise("input-unsafe", "leak");
    post.raise("reservoir-low", "calcium");
    assert_eq!(
        heads(&post.tell()),
        [raised("input-unsafe leak"), raised("reservoir-low calcium")]
    );
    // Neither time nor an acknowledgement is news.
    for _ in 0..1_000 {
        post.pass(10 * SECOND);
        assert!(post.tell().is_empty());
    }
    post.set("input-unsafe", "acknowledged", true);
    assert!(post.tell().is_empty());
    post.drop("input-unsafe", "leak");
    // One that is over and that nobody has seen stays listed, and is over all the same.
    post.set("reservoir-low", "active", false);
    let over = |about: &str| (Happened::Over, about.to_owned(), 0);
    assert_eq!(
        heads(&post.tell()),
        [over("input-unsafe leak"), over("reservoir-low calcium")]
    );
    for _ in 0..1_000 {
        post.pass(10 * SECOND);
        assert!(post.tell().is_empty());
    }
}

#[test]
fn alarms_that_stand_when_it_starts_are_told_unless_somebody_has_seen_them() {
    let mut post = Post::new();
    for code in ["input-unsafe", "reading-old", "under-voltage"] {
        post.raise(code, "");
    }
    post.set("reading-old", "acknowledged", true);
    post.set("under-voltage", "active", false);
    assert_eq!(
        heads(&post.tell()),
        [
            raised("input-unsafe"),
            (Happened::Over, "under-voltage".to_owned(), 1)
        ]
    );
    // The one that had been seen is not told, but its end is.
    post.alarms.clear();
    let mut over = heads(&post.tell());
    over.sort_by(|a, b| a.1.cmp(&b.1));
    assert_eq!(
        over,
        [
            (Happened::Over, "input-unsafe".to_owned(), 0),
            (Happened::Over, "reading-old".to_owned(), 0)
        ]
    );
}

#[test]
fn one_that_can_no_longer_wait_is_told_again() {
    let mut post = Post::new();
    post.raise("input-unsafe", "return-pump");
    post.set("input-unsafe", "urgent", false);
    assert!(!post.tell()[0].urgent);
    post.pass(30 * MINUTE);
    post.set("input-unsafe", "urgent", true);
    let told = post.tell();
    assert_eq!(heads(&told), [raised("input-unsafe return-pump")]);
    assert!(told[0].urgent);
}

#[test]
fn a_program_that_fails_is_tried_again_later_and_later_and_nothing_is_lost() {
    let mut post = Post::new();
    post.raise("input-unsafe", "leak");
    post.look();
    let mut waits = Vec::new();
    for _ in 0..9 {
        let message = post.next().unwrap();
        post.desk.failed(&message, post.now());
        let mut waited = 0;
        while post.next().is_none() {
            post.pass(SECOND);
            waited += 1;
            post.look();
        }
        waits.push(waited);
    }
    assert_eq!(waits, [10, 20, 40, 80, 160, 320, 600, 600, 600]);
    // Meanwhile it came and went: one message says so.
    post.set("input-unsafe", "active", false);
    post.look();
    post.raise("input-unsafe", "leak");
    post.look();
    post.set("input-unsafe", "active", false);
    assert_eq!(
        heads(&post.tell()),
        [(Happened::Over, "input-unsafe leak".to_owned(), 2)]
    );
    // Taken once, the next failure waits as short as the first.
    post.raise("under-voltage", "");
    post.look();
    let message = post.next().unwrap();
    post.desk.failed(&message, post.now());
    post.pass(10 * SECOND);
    assert!(post.next().is_some());
}

#[test]
fn a_message_that_the_program_cannot_take_holds_up_no_other() {
    let mut post = Post::new();
    post.raise("reservoir-low", "calcium");
    post.look();
    post.pass(SECOND);
    post.raise("input-unsafe", "leak");
    post.look();
    let first = post.next().unwrap();
    assert_eq!(first.code, "reservoir-low");
    post.desk.failed(&first, post.now());
    post.pass(10 * SECOND);
    assert_eq!(post.next().unwrap().code, "input-unsafe");
    assert_eq!(post.deliver().len(), 2);
}

#[test]
fn of_too_many_that_wait_the_newest_are_told_and_the_others_counted() {
    let mut post = Post::new();
    post.raise("input-unsafe", "leak");
    post.look();
    let message = post.next().unwrap();
    post.desk.failed(&message, post.now());
    for line in 0..40 {
        post.pass(100);
        post.raise("under-delivered", &format!("line-{line:02}"));
        post.look();
    }
    post.pass(MINUTE);
    let told = post.deliver();
    assert_eq!(told.len(), 16);
    assert_eq!(told[0].left_out, 25);
    assert!(told[0].words(&TimeZone::UTC).contains("25 more alarms"));
    assert_eq!(told[1].left_out, 0);
    assert_eq!(told[15].subject, "line-39");
    assert!(told.iter().all(|m| m.code == "under-delivered"));
    assert!(post.tell().is_empty(), "and no look brings them back");
}

#[test]
fn one_that_chatters_is_told_a_few_times_and_then_now_and_then_with_its_number() {
    let mut post = Post::new();
    let mut told = Vec::new();
    // A day of a contact that comes and goes every 20 s.
    for _ in 0..4_320 {
        post.raise("input-unsafe", "leak");
        told.extend(post.tell());
        post.pass(10 * SECOND);
        post.set("input-unsafe", "active", false);
        told.extend(post.tell());
        post.pass(10 * SECOND);
    }
    assert!((90..=100).contains(&told.len()), "{}", told.len());
    let raises: u32 = told.iter().map(|m| m.times).sum();
    assert!(raises > 4_200, "{raises} of 4320 are counted");
    // Another is told at once all the same.
    post.raise("under-voltage", "");
    assert!(post.tell().iter().any(|m| m.code == "under-voltage"));
    // What it is in the end is told.
    post.pass(20 * MINUTE);
    let last = post.tell();
    assert!(last.iter().all(|m| m.happened == Happened::Over));
    post.pass(120 * MINUTE);
    post.raise("input-unsafe", "leak");
    assert_eq!(heads(&post.tell()), [raised("input-unsafe leak")]);
}

#[test]
fn each_test_is_told_however_many_there_are() {
    let mut post = Post::new();
    for _ in 0..20 {
        post.raise("test", "");
        assert_eq!(heads(&post.tell()), [raised("test")]);
        post.pass(30 * SECOND);
        post.drop("test", "");
        assert_eq!(
            heads(&post.tell()),
            [(Happened::Over, "test".to_owned(), 0)]
        );
    }
}

#[test]
fn a_daemon_that_falls_silent_is_told_after_three_looks_and_again_when_it_answers() {
    let mut post = Post::new();
    post.raise("input-unsafe", "leak");
    post.tell();
    // A restart is no news.
    for _ in 0..2 {
        post.pass(10 * SECOND);
        post.silent(Silence::Gone);
        assert!(post.next().is_none());
    }
    assert!(post.tell().is_empty());
    let since = post.now().wall;
    for silence in [Silence::Gone, Silence::Gone, Silence::Hangs] {
        post.silent(silence);
        post.pass(10 * SECOND);
    }
    let told = post.deliver();
    assert_eq!(heads(&told), [raised("daemon-silent")]);
    assert_eq!(
        told[0].since, since,
        "since the first look without an answer"
    );
    assert!(told[0].text.contains("does not answer"));
    assert!(told[0].urgent);
    for _ in 0..1_000 {
        post.pass(10 * SECOND);
        post.silent(Silence::Hangs);
        assert!(post.next().is_none(), "once");
    }
    // What stood before is neither over nor raised again by the silence.
    let back = post.tell();
    assert_eq!(
        heads(&back),
        [(Happened::Over, "daemon-silent".to_owned(), 0)]
    );
    assert!(back[0].words(&TimeZone::UTC).contains("answers again"));
    assert!(post.tell().is_empty());
}

#[test]
fn a_daemon_that_was_never_there_is_told_too_with_what_to_do() {
    for (silence, said) in [
        (Silence::Gone, "systemctl status dosewright"),
        (Silence::Hangs, "switch its supply off"),
        (Silence::NotAllowed, "member of the group dosewright"),
        (Silence::NotUnderstood, "restart dosewright"),
    ] {
        let mut post = Post::new();
        for _ in 0..3 {
            post.silent(silence);
        }
        let [message] = post.deliver().try_into().unwrap();
        assert!(message.words(&TimeZone::UTC).contains(said), "{silence:?}");
    }
}

#[test]
fn a_message_says_what_where_since_when_and_what_to_do_in_the_owners_time() {
    let mut post = Post::new();
    post.raise("input-unsafe", "leak");
    let [message] = post.tell().try_into().unwrap();
    let zone = TimeZone::get("Europe/Berlin").unwrap();
    let words = message.words(&zone);
    let lines: Vec<&str> = words.lines().collect();
    assert!(lines[0].ends_with("ALARM input-unsafe leak"), "{words}");
    assert_eq!(lines[1], "input-unsafe leak: look at it");
    assert_eq!(lines[2], "since 2026-11-30 13:00 (Europe/Berlin)");
    assert!(words.contains("`dosewright status`"), "{words}");
    let facts = message.facts();
    let fact = |name: &str| {
        let found = facts
            .iter()
            .find(|(n, _)| *n == format!("DOSEWRIGHT_{name}"));
        found.map(|(_, value)| value.as_str()).unwrap_or_default()
    };
    assert_eq!(fact("HAPPENED"), "raised");
    assert_eq!((fact("ALARM"), fact("SUBJECT")), ("input-unsafe", "leak"));
    assert_eq!(fact("SINCE"), BEGIN);
    assert_eq!((fact("URGENT"), fact("MODE")), ("yes", "live"));
}

#[test]
fn whatever_stands_in_an_alarm_a_message_is_short_and_without_control_characters() {
    let mut post = Post::new();
    post.raise("input-unsafe", "leak");
    post.alarms[0]["text"] = "\u{1b}[2J\0\u{e9}".repeat(5_000).into();
    let [message] = post.tell().try_into().unwrap();
    let words = message.words(&TimeZone::UTC);
    assert!(words.len() <= 4_000, "{}", words.len());
    assert!(words.chars().all(|c| c == '\n' || !c.is_control()));
    for (name, value) in message.facts() {
        assert!(value.len() <= 1_000, "{name}");
        assert!(!value.contains(char::is_control), "{name}");
    }
}

#[test]
fn a_daemon_that_listens_and_never_answers_is_told_within_ten_seconds() {
    let state = tempfile::tempdir().unwrap();
    let path = crate::control::socket_path(state.path());
    std::fs::create_dir(path.parent().unwrap()).unwrap();
    let _listens = std::os::unix::net::UnixListener::bind(path).unwrap();
    let mut post = Post::new();
    let every = Millis::from_secs(10);
    post.look();
    assert_eq!(post.desk.next_look(every), every);
    let begin = post.t;
    // What a look really waits for is a thousandth here of what is counted.
    while post.desk.next(post.now()).is_none() {
        let looked = run::look(state.path(), Millis::new(HANGS_LOOK.as_ms() / 1_000));
        assert!(matches!(looked, Look::Silent(Silence::Hangs)), "{looked:?}");
        post.t += HANGS_LOOK.as_ms();
        post.desk.look(&looked, post.now());
        let next = post.desk.next_look(every);
        if post.desk.next(post.now()).is_none() {
            // The look took that long already.
            post.t += (next.as_ms() - HANGS_LOOK.as_ms()).max(0);
        } else {
            assert_eq!(next, every, "told, and not asked all the time");
        }
    }
    assert!(post.t - begin <= 10 * SECOND, "{} ms", post.t - begin);
    // One that nobody hears of may be starting anew.
    let mut post = Post::new();
    post.silent(Silence::Gone);
    assert_eq!(post.desk.next_look(every), every);
}
