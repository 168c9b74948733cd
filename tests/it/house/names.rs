//! What a path means: which file defines the item that it names, through modules, imports and re-exports. From that,
//! which file takes what from which. Visibility is the compiler's work and is not asked here.

use std::collections::{BTreeMap, BTreeSet};

use super::modules::{Import, Module, modules};
use super::tokens::{Shipped, shipped};

/// One place where a file takes something from another.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Link {
    pub(super) line: usize,
    /// The path as written, a tree of imports written out.
    pub(super) path: String,
}

/// Which file takes from which, by their indices in `files`, and where.
#[derive(Debug, Default)]
pub(super) struct Links {
    pub(super) files: Vec<String>,
    pub(super) links: BTreeMap<(usize, usize), Vec<Link>>,
}

/// Where a path leads.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Target {
    Module(usize),
    /// An item that this module defines.
    Item(usize),
    /// Another crate, or a name that no module of this crate brings in.
    Outside,
}

struct Names {
    modules: Vec<Module>,
    by_path: BTreeMap<Vec<String>, usize>,
}

/// The imports, by module and place, that a search has gone through.
type Seen = BTreeSet<(usize, usize)>;

/// The links between the files of one crate, given as path below `src` and text.
pub(super) fn links(files: &[(&str, &str)]) -> Links {
    let names = Names::of(files);
    let mut found =
        Links { files: files.iter().map(|(path, _)| (*path).to_owned()).collect(), ..Links::default() };
    for from in 0..names.modules.len() {
        names.imports_of(from, &mut found);
        names.code_of(from, &mut found);
        names.calls_of(from, &mut found);
    }
    for places in found.links.values_mut() {
        places.sort();
        places.dedup();
    }
    found
}

/// For each file of a crate, whether it is compiled for unit tests alone.
pub(super) fn test_files(files: &[(&str, &str)]) -> Vec<bool> {
    for_tests(&files.iter().map(|(path, text)| (module_path(path), shipped(text))).collect::<Vec<_>>())
}

fn for_tests(parts: &[(Vec<String>, Shipped<'_>)]) -> Vec<bool> {
    let named = |(path, part): &(Vec<String>, Shipped<'_>)| -> Vec<Vec<String>> {
        part.test_modules.iter().map(|name| [path.as_slice(), &[(*name).to_owned()]].concat()).collect()
    };
    let tests: Vec<Vec<String>> = parts.iter().flat_map(named).collect();
    parts.iter().map(|(path, _)| tests.iter().any(|test| path.starts_with(test))).collect()
}

/// The module that a file is; other roots than `lib.rs` are trees of their own.
fn module_path(file: &str) -> Vec<String> {
    let mut path: Vec<String> = file.trim_end_matches(".rs").split('/').map(str::to_owned).collect();
    match path.last().map(String::as_str) {
        Some("mod" | "lib") => drop(path.pop()),
        Some("main") => path = vec!["main.rs".to_owned()],
        _ => {}
    }
    path
}

impl Links {
    fn add(&mut self, from: usize, to: usize, line: usize, path: &[String]) {
        if from != to {
            self.links.entry((from, to)).or_default().push(Link { line, path: path.join("::") });
        }
    }
}

impl Names {
    fn of(files: &[(&str, &str)]) -> Self {
        let parts: Vec<_> = files.iter().map(|(path, text)| (module_path(path), shipped(text))).collect();
        let mut all = Vec::new();
        for (file, ((path, part), test)) in parts.iter().zip(for_tests(&parts)).enumerate() {
            if !test {
                all.extend(modules(path.clone(), file, part));
            }
        }
        let by_path = all.iter().enumerate().map(|(index, module)| (module.path.clone(), index)).collect();
        Self { modules: all, by_path }
    }

    fn child(&self, of: usize, name: &str) -> Option<usize> {
        let path = [self.modules[of].path.as_slice(), &[name.to_owned()]].concat();
        self.by_path.get(&path).copied()
    }

    fn parent(&self, of: usize) -> Option<usize> {
        let path = &self.modules[of].path;
        self.by_path.get(&path[..path.len().checked_sub(1)?]).copied()
    }

    /// Where `path` leads, read in the module `from`.
    fn walk(&self, from: usize, path: &[String], seen: &mut Seen) -> Vec<Target> {
        let mut at = from;
        let mut taken = 0;
        for word in path {
            let next = match word.as_str() {
                "crate" => self.by_path.get(&[] as &[String]).copied(),
                "self" => Some(at),
                "super" => self.parent(at),
                _ => break,
            };
            let Some(next) = next else { return vec![Target::Outside] };
            (at, taken) = (next, taken + 1);
        }
        let rest = &path[taken..];
        let Some(first) = rest.first() else { return vec![Target::Module(at)] };
        let targets = self.name(at, first, rest.len() == 1, seen);
        if targets.is_empty() {
            // A name that nothing here brings in is another crate's; after a module's path it is what a macro makes.
            return vec![if taken == 0 { Target::Outside } else { Target::Item(at) }];
        }
        targets.into_iter().flat_map(|target| self.onward(target, &rest[1..], seen)).collect()
    }

    fn onward(&self, target: Target, rest: &[String], seen: &mut Seen) -> Vec<Target> {
        let (Target::Module(at), Some(first)) = (&target, rest.first()) else { return vec![target] };
        let targets = self.name(*at, first, rest.len() == 1, seen);
        if targets.is_empty() {
            return vec![Target::Item(*at)];
        }
        targets.into_iter().flat_map(|target| self.onward(target, &rest[1..], seen)).collect()
    }

    /// What `name` is in the module `at`; a module and an item may share a name, and only the last may be an item.
    fn name(&self, at: usize, name: &str, last: bool, seen: &mut Seen) -> Vec<Target> {
        let mut found: Vec<Target> = self.child(at, name).map(Target::Module).into_iter().collect();
        if !found.is_empty() && !last {
            return found;
        }
        for (place, import) in self.modules[at].imports.iter().enumerate() {
            if import.name.as_deref() == Some(name) && seen.insert((at, place)) {
                found.extend(self.walk(at, &import.path, seen));
                seen.remove(&(at, place));
            }
        }
        if self.modules[at].items.contains(name) {
            found.push(Target::Item(at));
        }
        if found.is_empty() {
            let globs =
                self.modules[at].imports.iter().enumerate().filter(|(_, import)| import.name.is_none());
            for (place, import) in globs {
                if seen.insert((at, place)) {
                    found.extend(self.through_glob(at, import, name, last, seen));
                    seen.remove(&(at, place));
                }
            }
        }
        found
    }

    fn through_glob(
        &self,
        at: usize,
        import: &Import,
        name: &str,
        last: bool,
        seen: &mut Seen,
    ) -> Vec<Target> {
        let targets = self.walk(at, &import.path, seen);
        let modules = targets.iter().filter_map(|target| match target {
            Target::Module(module) => Some(*module),
            _ => None,
        });
        modules.flat_map(|module| self.name(module, name, last, seen)).collect()
    }

    /// Whether the module's file is a face, and `of` is it or stands below it.
    fn is_face_of(&self, face: usize, of: usize) -> bool {
        let (path, below) = (&self.modules[face].path, &self.modules[of].path);
        below.len() > path.len() && below.starts_with(path)
    }

    /// What the imports of a module take. A module that is imported is not yet used: that shows in the code. A face
    /// that hands on what stands below it takes nothing for itself.
    fn imports_of(&self, from: usize, found: &mut Links) {
        let module = &self.modules[from];
        for (place, import) in module.imports.iter().enumerate() {
            for target in self.walk(from, &import.path, &mut Seen::from([(from, place)])) {
                let (to, item) = match target {
                    Target::Item(to) => (to, true),
                    Target::Module(to) => (to, false),
                    Target::Outside => continue,
                };
                let handed_down = import.handed_on && self.is_face_of(from, to);
                let used = match import.name {
                    Some(_) => item || import.handed_on,
                    // A glob that names nothing in the code is there for its traits.
                    None => item || import.handed_on || !self.glob_is_named(from, import),
                };
                if used && !handed_down {
                    found.add(module.file, self.modules[to].file, import.line, &import.path);
                }
            }
        }
    }

    fn glob_is_named(&self, from: usize, import: &Import) -> bool {
        let mut words = self.modules[from].taken.iter().map(|taken| &taken.path[0]);
        words.any(|word| !self.through_glob(from, import, word, true, &mut Seen::new()).is_empty())
    }

    /// What the paths in the code of a module take.
    fn code_of(&self, from: usize, found: &mut Links) {
        let module = &self.modules[from];
        for taken in &module.taken {
            let mut targets = self.walk(from, &taken.path, &mut Seen::new());
            if taken.is_macro && taken.path.len() == 1 && targets.contains(&Target::Outside) {
                targets = self.macro_above(from, &taken.path[0]).map(Target::Item).into_iter().collect();
            }
            for target in targets {
                if let Target::Item(to) = target {
                    found.add(module.file, self.modules[to].file, taken.line, &taken.path);
                }
            }
        }
    }

    /// The nearest module above `from` that defines the macro: its children see it without an import.
    fn macro_above(&self, from: usize, name: &str) -> Option<usize> {
        let mut at = from;
        while !self.modules[at].macros.contains_key(name) {
            at = self.parent(at)?;
        }
        Some(at)
    }

    /// What macros take from the modules that are their arguments: `Settings` of each `$module::Settings`.
    fn calls_of(&self, from: usize, found: &mut Links) {
        let module = &self.modules[from];
        for call in &module.calls {
            let targets = self.walk(from, &call.path, &mut Seen::new());
            let defined = targets.iter().find_map(|target| match target {
                Target::Item(at) => Some(*at),
                _ => None,
            });
            let name = call.path.last().map_or("", String::as_str);
            let Some(at) = defined.or_else(|| self.macro_above(from, name)) else { continue };
            let Some(wanted) = self.modules[at].macros.get(name) else { continue };
            for (word, line) in &call.words {
                for path in wanted {
                    self.argument(from, word, *line, path, found);
                }
            }
        }
    }

    fn argument(&self, from: usize, word: &str, line: usize, wanted: &[String], found: &mut Links) {
        for target in self.name(from, word, false, &mut Seen::new()) {
            if !matches!(target, Target::Module(_)) {
                continue;
            }
            let path = [&[word.to_owned()], wanted].concat();
            for reached in self.onward(target, wanted, &mut Seen::new()) {
                if let Target::Item(to) = reached {
                    found.add(self.modules[from].file, self.modules[to].file, line, &path);
                }
            }
        }
    }
}
