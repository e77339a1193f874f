//! Names of topics. Everything of one controller lies under `BASE/ID`, so that several share a broker.

use crate::config::{RemoteKind, fnv1a};

/// The topics of one controller.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Topics {
    id: String,
    tree: String,
    discovery: String,
    hub_status: String,
}

impl Topics {
    /// Topics under a base, for one machine, with discovery under its prefix.
    pub fn new(base: &str, discovery_prefix: &str, machine_id: &str) -> Self {
        let id = controller_id(machine_id);
        Self {
            tree: format!("{base}/{id}"),
            discovery: format!("{discovery_prefix}/device/dosewright_{id}/config"),
            hub_status: format!("{discovery_prefix}/status"),
            id,
        }
    }

    /// The controller's id: 12 hexadecimal digits.
    pub fn id(&self) -> &str {
        &self.id
    }

    /// Where the discovery message lies.
    pub fn discovery(&self) -> &str {
        &self.discovery
    }

    /// Where a hub says that it has (re)started.
    pub fn hub_status(&self) -> &str {
        &self.hub_status
    }

    /// A topic in this controller's tree.
    pub fn of(&self, rest: &str) -> String {
        format!("{}/{rest}", self.tree)
    }

    /// Whether the controller is there.
    pub fn status(&self) -> String {
        self.of("status")
    }

    pub fn event(&self) -> String {
        self.of("event")
    }

    /// Answers to commands, not retained.
    pub fn reply(&self) -> String {
        self.of("reply")
    }

    /// Where a command of one kind is listened for.
    pub fn command(&self, kind: RemoteKind) -> String {
        self.of(&format!("cmd/{}", kind.as_str()))
    }

    /// Which command a topic is for, if any.
    pub fn command_kind(&self, topic: &str) -> Option<RemoteKind> {
        let rest = topic.strip_prefix(self.tree.as_str())?;
        let name = rest.strip_prefix("/cmd/")?;
        RemoteKind::from_word(name)
    }

    /// Families of state topics whose members come and go with the configuration, as subscription filters.
    pub(super) fn families(&self) -> [String; 3] {
        ["line/+", "reservoir/+", "head/+"].map(|f| self.of(f))
    }

    /// Whether a topic belongs to one of those families.
    pub(super) fn is_family_member(&self, topic: &str) -> bool {
        topic.strip_prefix(self.tree.as_str()).is_some_and(|rest| {
            ["/line/", "/reservoir/", "/head/"]
                .iter()
                .any(|f| rest.starts_with(f))
        })
    }
}

/// The id of a controller: a hash of the machine's id, so that the latter, which may serve as a secret elsewhere, stays home.
fn controller_id(machine_id: &str) -> String {
    let hash = fnv1a(&format!("dosewright {}", machine_id.trim()));
    // Fold to 48 bits: with the prefix it makes a client id of 23 characters, which every broker must take (MQTT 3.1.1, 3.1.3.1).
    format!("{:012x}", (hash ^ (hash >> 48)) & 0xffff_ffff_ffff)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_id_is_stable_short_and_does_not_show_the_machine_id() {
        let a = Topics::new(
            "dosewright",
            "homeassistant",
            "0123456789abcdef0123456789abcdef\n",
        );
        let again = Topics::new(
            "dosewright",
            "homeassistant",
            "0123456789abcdef0123456789abcdef",
        );
        assert_eq!(a, again);
        assert_eq!(a.id().len(), 12);
        assert!(!"0123456789abcdef0123456789abcdef".contains(a.id()));
        assert_eq!(format!("dosewright-{}", a.id()).len(), 23);
        // Pinned: a change of this value would orphan every device that a hub knows.
        assert_eq!(a.id(), "f5e76aac485d");
    }

    #[test]
    fn command_topics_are_told_from_all_others() {
        let t = Topics::new("dosewright", "homeassistant", "m");
        assert_eq!(
            t.command_kind(&t.command(RemoteKind::Dose)),
            Some(RemoteKind::Dose)
        );
        assert_eq!(t.command_kind(&t.of("cmd/dose/x")), None);
        assert_eq!(t.command_kind("dosewright/other/cmd/hold"), None);
        assert!(t.is_family_member(&t.of("line/a")));
        assert!(!t.is_family_member(&t.of("alarms")));
    }
}
