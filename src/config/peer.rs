//! Who may ask what over the local socket.

use std::collections::BTreeSet;
use std::fmt;

use super::keys;
use super::tree::RawTable;
use crate::quantity::worded;

worded! {
    /// What somebody may do.
    pub enum Right {
        /// See what there is. Everybody's who reaches the socket.
        Look = "look",
        /// Stop: one run, one line, everything, the driving of outputs. Everybody's who reaches the socket.
        Hold = "hold",
        /// Tell what was measured or done.
        Observe = "observe",
        /// Tell what a bottle holds.
        Refill = "refill",
        /// Let dosing go on.
        Resume = "resume",
        /// Have a head run.
        Dose = "dose",
        /// Change what the plan gives from now on.
        Propose = "propose",
        /// Have outputs driven. Root's, and theirs whom root names.
        Arm = "arm",
    }
}

/// Who is meant.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum PeerName {
    User(String),
    Group(String),
}

/// One `[[peer]]`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Peer {
    pub name: PeerName,
    pub may: BTreeSet<Right>,
}

/// Reads one `[[peer]]`.
pub(super) fn build(table: &RawTable) -> Option<Peer> {
    let name = match (table.text(keys::peer::USER), table.text(keys::peer::GROUP)) {
        (Some(user), None) => PeerName::User(user.to_owned()),
        (None, Some(group)) => PeerName::Group(group.to_owned()),
        (None, None) => return None,
        (Some(_), Some(_)) => {
            table.refuse(
                keys::peer::GROUP,
                "is of one user or of one group; write a [[peer]] for each",
            );
            return None;
        }
    };
    let words = Right::ALL.map(Right::as_str);
    let mut may = BTreeSet::new();
    for word in table.texts(keys::peer::MAY)? {
        match Right::from_word(&word.text) {
            Some(right) => {
                may.insert(right);
            }
            None => table.sink.mistake(
                word.at,
                format!(
                    "{}may: \"{}\" is no right; the rights are: {}",
                    table.label,
                    word.text,
                    words.join(", ")
                ),
            ),
        }
    }
    Some(Peer { name, may })
}

/// Somebody as the system knows them.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Person {
    pub uid: u32,
    /// `None` for an id without a name.
    pub user: Option<String>,
    pub groups: BTreeSet<String>,
}

impl fmt::Display for Person {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.user {
            Some(user) => write!(f, "user {user}"),
            None => write!(f, "the user with the id {}", self.uid),
        }
    }
}

/// The user of the unit that runs a program of the owner's for each alarm. It has a network, so it may look and stop, and gets nothing
/// by being in a group.
const TELLER: &str = "dosewright-tell";

/// Whether `person` may do that. `owner` is the user that the daemon runs as: it could write every file of the daemon itself.
///
/// # Errors
/// What is missing, and what to write where.
pub fn allows(peers: &[Peer], person: &Person, owner: u32, right: Right) -> Result<(), String> {
    let always = matches!(right, Right::Look | Right::Hold);
    if always || person.uid == 0 || person.uid == owner {
        return Ok(());
    }
    let tells = person.user.as_deref() == Some(TELLER);
    let is_meant = |peer: &&Peer| match &peer.name {
        PeerName::User(user) => person.user.as_ref() == Some(user),
        PeerName::Group(group) => !tells && person.groups.contains(group),
    };
    let named = peers
        .iter()
        .filter(is_meant)
        .any(|p| p.may.contains(&right));
    if named || (peers.is_empty() && !tells && right != Right::Arm) {
        return Ok(());
    }
    let user = person.user.as_deref().unwrap_or("NAME");
    Err(format!(
        "{person} has not the right \"{right}\"; to give it, root writes this into controller.toml and restarts the daemon: [[peer]] with user = \"{user}\" and may = [\"{right}\"] beside what they may already"
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn anna() -> Person {
        Person {
            uid: 1000,
            user: Some("anna".to_owned()),
            groups: BTreeSet::from(["anna".to_owned(), "reef".to_owned()]),
        }
    }

    fn peer(name: PeerName, may: &[Right]) -> Peer {
        Peer {
            name,
            may: may.iter().copied().collect(),
        }
    }

    #[test]
    fn without_any_peer_everybody_may_all_but_arm_and_root_may_all() {
        for right in Right::ALL {
            let root = Person::default();
            assert!(allows(&[], &root, 990, right).is_ok(), "{right}");
            assert_eq!(
                allows(&[], &anna(), 990, right).is_ok(),
                right != Right::Arm,
                "{right}"
            );
        }
    }

    #[test]
    fn whoever_is_listed_may_what_is_listed_and_always_look_and_hold() {
        let peers = [
            peer(PeerName::Group("reef".to_owned()), &[Right::Observe]),
            peer(PeerName::User("anna".to_owned()), &[Right::Dose]),
            peer(PeerName::User("ben".to_owned()), &Right::ALL),
        ];
        let may: Vec<&str> = Right::ALL
            .into_iter()
            .filter(|right| allows(&peers, &anna(), 990, *right).is_ok())
            .map(Right::as_str)
            .collect();
        assert_eq!(may, ["look", "hold", "observe", "dose"]);
        let stranger = Person {
            uid: 1001,
            ..Person::default()
        };
        for right in Right::ALL {
            let always = matches!(right, Right::Look | Right::Hold);
            assert_eq!(
                allows(&peers, &stranger, 990, right).is_ok(),
                always,
                "{right}"
            );
            assert!(allows(&peers, &Person::default(), 990, right).is_ok());
        }
    }

    #[test]
    fn the_user_that_tells_alarms_may_look_and_stop_whatever_its_group_may() {
        let teller = Person {
            uid: 991,
            user: Some("dosewright-tell".to_owned()),
            groups: BTreeSet::from(["dosewright".to_owned()]),
        };
        let group = peer(PeerName::Group("dosewright".to_owned()), &Right::ALL);
        for peers in [[].as_slice(), &[group]] {
            for right in Right::ALL {
                let always = matches!(right, Right::Look | Right::Hold);
                assert_eq!(
                    allows(peers, &teller, 990, right).is_ok(),
                    always,
                    "{right}"
                );
            }
        }
    }

    #[test]
    fn a_refusal_names_the_right_the_user_and_what_to_write_where() {
        let why = allows(&[], &anna(), 990, Right::Arm).unwrap_err();
        for part in ["user anna", "\"arm\"", "controller.toml", "user = \"anna\""] {
            assert!(why.contains(part), "{why}");
        }
    }
}
