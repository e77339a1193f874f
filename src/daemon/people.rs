//! Who somebody is, by the system's two plain files: passwd(5) and group(5).

use std::collections::BTreeSet;
use std::fs;

use crate::config::Person;

/// The person with this user id, as the system has them now.
pub(super) fn person(uid: u32) -> Person {
    // Somebody of whom nothing can be read is nobody in particular.
    let read =
        |path: &str| fs::read(path).map(|bytes| String::from_utf8_lossy(&bytes).into_owned());
    let passwd = read("/etc/passwd").unwrap_or_default();
    let group = read("/etc/group").unwrap_or_default();
    person_of(uid, &passwd, &group)
}

fn person_of(uid: u32, passwd: &str, group: &str) -> Person {
    let fields = |line: &'_ str| -> Vec<String> { line.split(':').map(str::to_owned).collect() };
    let account = passwd
        .lines()
        .map(fields)
        .find(|account| account.get(2).and_then(|field| field.parse().ok()) == Some(uid));
    let user = account
        .as_ref()
        .and_then(|account| account.first())
        .cloned();
    let primary = account.as_ref().and_then(|account| account.get(3));
    let belongs = |fields: &Vec<String>| {
        let is_primary = primary.is_some() && fields.get(2) == primary;
        let members = fields.get(3).map_or("", String::as_str).split(',');
        is_primary
            || user
                .as_deref()
                .is_some_and(|user| members.into_iter().any(|m| m.trim() == user))
    };
    let groups: BTreeSet<String> = group
        .lines()
        .map(fields)
        .filter(belongs)
        .filter_map(|fields| fields.into_iter().next())
        .collect();
    Person { uid, user, groups }
}

#[cfg(test)]
mod tests {
    use super::*;

    const PASSWD: &str = "root:x:0:0:root:/root:/bin/sh\nbroken\nanna:x:1000:1000:Anna,,,:/home/anna:/bin/sh\nben:x:1001:100::/home/ben:/bin/sh\n";
    const GROUP: &str =
        "root:x:0:\nusers:x:100:\nreef:x:500:ben, anna\nannas:x:501:annabel\nanna:x:1000:\n\n";

    #[test]
    fn a_person_has_the_group_of_their_account_and_those_that_list_them() {
        let anna = person_of(1000, PASSWD, GROUP);
        assert_eq!(anna.user.as_deref(), Some("anna"));
        assert_eq!(anna.groups, ["anna", "reef"].map(str::to_owned).into());
        let ben = person_of(1001, PASSWD, GROUP);
        assert_eq!(ben.groups, ["reef", "users"].map(str::to_owned).into());
    }

    #[test]
    fn an_id_without_an_account_has_neither_name_nor_groups() {
        let nobody = person_of(4242, PASSWD, GROUP);
        assert_eq!((nobody.user, nobody.groups.len()), (None, 0));
        assert_eq!(person_of(0, "", "").user, None);
    }
}
