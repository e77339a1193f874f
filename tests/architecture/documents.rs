//! Links between the documents of this repository.

use std::collections::BTreeSet;
use std::fs;
use std::io;
use std::path::Path;
use std::process::Command;

/// Links of `text`, a document in `folder`, that lead to no file, or to no heading of one.
fn dead(folder: &Path, text: &str) -> Vec<String> {
    let targets = text
        .split("](")
        .skip(1)
        .filter_map(|rest| rest.split(')').next())
        .chain(
            text.split("src=\"")
                .skip(1)
                .filter_map(|rest| rest.split('"').next()),
        )
        .filter(|target| !target.contains("://"));
    targets
        .filter(|target| !leads(folder, text, target))
        .map(str::to_owned)
        .collect()
}

fn leads(folder: &Path, text: &str, target: &str) -> bool {
    let (file, heading) = target.split_once('#').unwrap_or((target, ""));
    let path = folder.join(file);
    let there = file.is_empty() || path.exists();
    let linked = if file.is_empty() {
        Ok(text.to_owned())
    } else {
        fs::read_to_string(path)
    };
    there && (heading.is_empty() || linked.is_ok_and(|linked| anchors(&linked).contains(heading)))
}

/// What a link calls the headings: in lower case, words joined, no signs.
fn anchors(text: &str) -> BTreeSet<String> {
    let headings = text
        .lines()
        .filter_map(|line| line.trim_start_matches('#').strip_prefix(' '));
    headings
        .map(|heading| {
            heading
                .to_lowercase()
                .replace(' ', "-")
                .chars()
                .filter(|c| c.is_alphanumeric() || *c == '-' || *c == '_')
                .collect()
        })
        .collect()
}

#[test]
fn links_between_documents_lead_somewhere() -> io::Result<()> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let listed = Command::new("git")
        .args(["ls-files", "*.md"])
        .current_dir(root)
        .output()?;
    let names = String::from_utf8_lossy(&listed.stdout).into_owned();
    assert!(names.contains("README.md"), "{names}");
    let mut wrong = Vec::new();
    for name in names.lines() {
        let path = root.join(name);
        let folder = path.parent().unwrap_or(root);
        let found = dead(folder, &fs::read_to_string(&path)?);
        wrong.extend(found.into_iter().map(|target| format!("{name}: {target}")));
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
    Ok(())
}

#[test]
fn a_dead_link_is_found() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let text = "# A b\n[x](nowhere.md) [y](#a-b) [z](README.md#no-such) <img src=\"no.png\">";
    assert_eq!(
        dead(root, text),
        ["nowhere.md", "README.md#no-such", "no.png"]
    );
}
