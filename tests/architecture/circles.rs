//! Circles of files: files of which each leans on the next and the last on the first, so that none can be read, tested or moved
//! without the others.
//!
//! A file leans on the file that *defines* a name it uses; what stands in between and re-exports the name does not count, nor does
//! declaring or re-exporting one's own submodules. Code of unit tests does not count: a test may well reach up.

use std::collections::{BTreeMap, BTreeSet};

use super::Source;

type Path = Vec<String>;

/// A name that a `use` brings in, or all names of a module.
struct Import {
    path: Path,
    /// What it is called here; `None` for all names of a module.
    name: Option<String>,
    shown: bool,
}

#[derive(Default)]
struct File {
    path: String,
    module: Path,
    /// Names of items that stand here.
    own: BTreeSet<String>,
    imports: Vec<Import>,
    /// Paths in the code outside of `use`, as written.
    paths: Vec<Path>,
    words: BTreeSet<String>,
    /// Submodules for unit tests only.
    tests: BTreeSet<String>,
}

/// Which files each file leans on, by which names.
type Graph = BTreeMap<String, BTreeMap<String, BTreeSet<String>>>;

/// Every set of files that lean on each other, as one line each: its uses, `from -> to (names)`.
pub(super) fn circles(sources: &[Source]) -> Vec<String> {
    let graph = graph(sources);
    let reach: BTreeMap<&str, BTreeSet<&str>> = graph
        .keys()
        .map(|from| (from.as_str(), reached(&graph, from)))
        .collect();
    let reaches =
        |from: &str, to: &str| reach.get(from).is_some_and(|targets| targets.contains(to));
    let mut seen = BTreeSet::new();
    let mut found = Vec::new();
    for file in graph.keys().filter(|file| reaches(file, file)) {
        if seen.contains(file) {
            continue;
        }
        let circle: BTreeSet<&String> = graph
            .keys()
            .filter(|other| reaches(file, other) && reaches(other, file))
            .collect();
        let uses: Vec<String> = circle
            .iter()
            .flat_map(|from| {
                graph
                    .get(*from)
                    .into_iter()
                    .flatten()
                    .map(move |to| (from, to))
            })
            .filter(|(_, (to, _))| circle.contains(to))
            .map(|(from, (to, names))| {
                let names: Vec<&str> = names.iter().map(String::as_str).collect();
                format!("  {from} -> {to} ({})", names.join(", "))
            })
            .collect();
        found.push(format!(
            "circle of {} files:\n{}",
            circle.len(),
            uses.join("\n")
        ));
        seen.extend(circle);
    }
    found
}

fn reached<'a>(graph: &'a Graph, from: &str) -> BTreeSet<&'a str> {
    let next = |file: &str| graph.get(file).into_iter().flat_map(BTreeMap::keys);
    let mut open: Vec<&str> = next(from).map(String::as_str).collect();
    let mut all = BTreeSet::new();
    while let Some(file) = open.pop() {
        if all.insert(file) {
            open.extend(next(file).map(String::as_str));
        }
    }
    all
}

fn graph(sources: &[Source]) -> Graph {
    let files: BTreeMap<Path, File> = sources
        .iter()
        .filter(|source| source.path != "main.rs")
        .map(|source| (module_of(&source.path), File::read(source)))
        .collect();
    let for_tests = |module: &Path| {
        (1..=module.len()).any(|depth| {
            let (parent, name) = (module.get(..depth - 1), module.get(depth - 1));
            let declared = parent
                .and_then(|parent| files.get(parent))
                .map(|file| &file.tests);
            name.is_some_and(|name| declared.is_some_and(|tests| tests.contains(name)))
        })
    };
    let house = House { files: &files };
    files
        .iter()
        .filter(|(module, _)| !module.is_empty() && !for_tests(module))
        .map(|(_, file)| (file.path.clone(), house.leans_on(file)))
        .collect()
}

/// `a/mod.rs` and `a.rs` are module a; `lib.rs` is the root.
fn module_of(path: &str) -> Path {
    let bare = path.trim_end_matches(".rs");
    let bare = bare.strip_suffix("/mod").unwrap_or(bare);
    if bare == "lib" {
        return Path::new();
    }
    bare.split('/').map(str::to_owned).collect()
}

struct House<'a> {
    files: &'a BTreeMap<Path, File>,
}

impl House<'_> {
    fn leans_on(&self, file: &File) -> BTreeMap<String, BTreeSet<String>> {
        let mut found: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
        let mut note = |target: Option<(&File, String)>| {
            if let Some((target, name)) = target.filter(|(target, _)| target.path != file.path) {
                found.entry(target.path.clone()).or_default().insert(name);
            }
        };
        for import in &file.imports {
            let Some(path) = self.absolute(file, &import.path) else {
                continue;
            };
            match &import.name {
                Some(name) => {
                    // What is only passed on from below is not leaned on.
                    let below = path.starts_with(&file.module);
                    if !(import.shown && below) || file.words.contains(name) {
                        note(self.definition(&path, 0));
                    }
                }
                None => {
                    for name in self
                        .names_in(&path)
                        .filter(|name| file.words.contains(*name))
                    {
                        let mut path = path.clone();
                        path.push(name.clone());
                        note(self.definition(&path, 0));
                    }
                }
            }
        }
        for path in &file.paths {
            if let Some(path) = self.absolute(file, path) {
                note(self.definition(&path, 0));
            }
        }
        found
    }

    /// A path as written in a file, from the crate's root; `None` for what is none of ours.
    fn absolute(&self, file: &File, path: &[String]) -> Option<Path> {
        let (first, rest) = path.split_first()?;
        let mut base = match first.as_str() {
            "crate" => Path::new(),
            "self" => file.module.clone(),
            "super" => {
                let ups = path.iter().take_while(|part| *part == "super").count();
                let mut base = file.module.clone();
                base.truncate(base.len().saturating_sub(ups));
                base.extend(path.iter().skip(ups).cloned());
                return Some(base);
            }
            name => {
                let mut child = file.module.clone();
                child.push(name.to_owned());
                if self.files.contains_key(&child) {
                    child
                } else {
                    let known = |import: &&Import| {
                        import.name.as_deref() == Some(name) && import.path != path
                    };
                    let import = file.imports.iter().find(known)?;
                    self.absolute(file, &import.path)?
                }
            }
        };
        base.extend(rest.iter().cloned());
        Some(base)
    }

    /// The file in which a path's name stands, through re-exports, and the name; `None` for a path that ends at a module.
    fn definition(&self, path: &[String], steps: u32) -> Option<(&File, String)> {
        let depth = (0..=path.len()).rev().find(|depth| {
            path.get(..*depth)
                .is_some_and(|m| self.files.contains_key(m))
        })?;
        let file = self.files.get(path.get(..depth)?)?;
        let (name, rest) = path.get(depth..)?.split_first()?;
        if file.own.contains(name) || steps > 8 {
            return Some((file, name.clone()));
        }
        let onward = |import: &Import, name: Option<&String>| {
            let mut onward = self.absolute(file, &import.path)?;
            onward.extend(name.cloned());
            onward.extend(rest.iter().cloned());
            self.definition(&onward, steps + 1)
        };
        file.imports
            .iter()
            .find(|import| import.name.as_ref() == Some(name))
            .and_then(|import| onward(import, None))
            .or_else(|| {
                let all = file.imports.iter().filter(|import| import.name.is_none());
                all.filter_map(|import| onward(import, Some(name)))
                    .find(|(file, name)| file.own.contains(name))
            })
            .or_else(|| (!file.module.is_empty()).then(|| (file, name.clone())))
    }

    /// All names that a module has, its own and those it imports.
    fn names_in(&self, module: &[String]) -> impl Iterator<Item = &String> {
        self.files.get(module).into_iter().flat_map(|file| {
            file.own.iter().chain(
                file.imports
                    .iter()
                    .filter_map(|import| import.name.as_ref()),
            )
        })
    }
}

impl File {
    fn read(source: &Source) -> Self {
        let mut file = Self {
            path: source.path.clone(),
            module: module_of(&source.path),
            ..Self::default()
        };
        let all = tokens(&source.code);
        let code = file.without_tests(&all);
        let (mut at, mut depth) = (0_usize, 0_usize);
        while let Some(token) = code.get(at).copied() {
            let (before, next) = (
                at.checked_sub(1)
                    .and_then(|before| code.get(before))
                    .copied(),
                code.get(at + 1).copied().unwrap_or_default(),
            );
            at += 1;
            match token {
                "{" => depth += 1,
                "}" => depth = depth.saturating_sub(1),
                "use" if is_word(next) || next == "{" => {
                    let shown = matches!(before, Some("pub" | ")"));
                    at = file.import(&code, at, &Path::new(), shown);
                }
                "struct" | "enum" | "fn" | "const" | "static" | "type" | "trait" | "union"
                    if depth == 0 && is_word(next) =>
                {
                    file.own.insert(next.to_owned());
                }
                word if is_word(word) && !matches!(before, Some("::" | ".")) => {
                    let mut path = vec![word.to_owned()];
                    while code.get(at) == Some(&"::")
                        && let Some(part) = code.get(at + 1).filter(|part| is_word(part))
                    {
                        path.push((*part).to_owned());
                        at += 2;
                    }
                    file.words.insert(word.to_owned());
                    if path.len() > 1 {
                        file.paths.push(path);
                    }
                }
                _ => {}
            }
        }
        file
    }

    /// The code without items that are for unit tests only, and the names of modules that are.
    fn without_tests<'a>(&mut self, all: &[&'a str]) -> Vec<&'a str> {
        const MARK: [&str; 7] = ["#", "[", "cfg", "(", "test", ")", "]"];
        let (mut kept, mut at) = (Vec::new(), 0);
        while let Some(token) = all.get(at) {
            if all.get(at..).is_some_and(|rest| rest.starts_with(&MARK)) {
                at += MARK.len();
                let mut depth = 0_usize;
                while let Some(token) = all.get(at) {
                    if *token == "mod" && depth == 0 {
                        self.tests
                            .extend(all.get(at + 1).map(|name| (*name).to_owned()));
                    }
                    at += 1;
                    match *token {
                        "{" | "(" | "[" => depth += 1,
                        "}" if depth == 1 => break,
                        "}" | ")" | "]" => depth = depth.saturating_sub(1),
                        ";" if depth == 0 => break,
                        _ => {}
                    }
                }
            } else {
                kept.push(*token);
                at += 1;
            }
        }
        kept
    }

    /// Reads one branch of a `use`; gives the place after it.
    fn import(&mut self, code: &[&str], mut at: usize, stem: &Path, shown: bool) -> usize {
        let mut path = stem.clone();
        loop {
            let token = code.get(at).copied().unwrap_or(";");
            at += 1;
            match token {
                "::" => {}
                "{" => loop {
                    match code.get(at).copied() {
                        Some(",") => at += 1,
                        Some("}") | None => return at + 1,
                        Some(_) => at = self.import(code, at, &path, shown),
                    }
                },
                "*" => {
                    self.imports.push(Import {
                        path,
                        name: None,
                        shown,
                    });
                    return at;
                }
                "as" => {
                    let name = code.get(at).map(|name| (*name).to_owned());
                    self.imports.push(Import { path, name, shown });
                    return at + 1;
                }
                word if is_word(word) => {
                    // `{self, ..}` is the module itself.
                    if word != "self" || path.is_empty() {
                        path.push(word.to_owned());
                    }
                    if !matches!(code.get(at), Some(&("::" | "as"))) {
                        let name = path.last().cloned();
                        self.imports.push(Import { path, name, shown });
                        return at;
                    }
                }
                _ => return at,
            }
        }
    }
}

fn is_word(token: &str) -> bool {
    token.starts_with(|c: char| c.is_alphabetic() || c == '_')
}

/// Words, `::`, and every other character that is not blank; characters in quotes are left out.
fn tokens(code: &str) -> Vec<&str> {
    let mut found = Vec::new();
    let mut rest = code;
    while let Some(first) = rest.chars().next() {
        let quoted = rest
            .strip_prefix('\'')
            .and_then(|inside| inside.strip_prefix('\\').or(Some(inside)))
            .and_then(|inside| inside.chars().next().map(|c| (c, inside)))
            .and_then(|(c, inside)| inside.get(c.len_utf8()..))
            .and_then(|after| after.strip_prefix('\''));
        if let Some(after) = quoted {
            rest = after;
            continue;
        }
        let length = if rest.starts_with("::") {
            2
        } else if first.is_alphanumeric() || first == '_' {
            rest.find(|c: char| !(c.is_alphanumeric() || c == '_'))
                .unwrap_or(rest.len())
        } else {
            first.len_utf8()
        };
        let (token, after) = rest.split_at(length);
        if !first.is_whitespace() {
            found.push(token);
        }
        rest = after;
    }
    found
}
