//! The modules of the source and what each of their files names: by `use`, in all of its forms, and by paths in the code.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::Path;

use super::tokens::{Token, tokens};

/// A module as its names from the crate's root; none for the root itself.
pub type Module = Vec<String>;

/// A path in the code.
#[derive(Debug, Clone)]
struct Named {
    /// Where it stands, inline modules with it.
    at: Module,
    path: Vec<String>,
    /// The name that a `use` gives it.
    binds: Option<String>,
    in_test: bool,
}

/// One file's code.
struct File {
    name: String,
    module: Module,
    lines: usize,
    named: Vec<Named>,
    /// Single words outside tests; of a macro's name the `!` is a part.
    words: Vec<String>,
}

/// All source of a crate.
pub struct Sources {
    files: Vec<File>,
    /// Every module, inline ones with them.
    modules: BTreeSet<Module>,
}

/// That one file's code names another file's.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Import {
    pub file: String,
    pub from: Module,
    pub to: Module,
    pub in_test: bool,
}

impl Sources {
    /// Of files by their names from `src`, without `main.rs`.
    pub fn of(texts: &[(&str, &str)]) -> Sources {
        let mut modules = BTreeSet::from([Module::new()]);
        let mut of_tests = BTreeSet::new();
        let mut files = Vec::new();
        for (name, text) in texts {
            let module = module_of(name);
            modules.insert(module.clone());
            let mut reader = Reader { named: Vec::new(), words: Vec::new(), inline: Vec::new(), of_tests: Vec::new() };
            reader.read(&tokens(text), &module, false);
            modules.extend(reader.inline);
            of_tests.extend(reader.of_tests);
            let (named, words, lines) = (reader.named, reader.words, text.lines().count());
            files.push(File { name: (*name).to_owned(), module, lines, named, words });
        }
        // `#[cfg(test)] mod name;` makes a whole file a test.
        for file in &mut files {
            if (1..=file.module.len()).any(|n| of_tests.contains(&file.module[..n])) {
                file.named.iter_mut().for_each(|named| named.in_test = true);
                file.words.clear();
            }
        }
        Sources { files, modules }
    }

    pub fn in_folder(src: &Path) -> Sources {
        let mut texts = Vec::new();
        collect(src, "", &mut texts);
        let texts: Vec<(&str, &str)> = texts.iter().map(|(name, text)| (name.as_str(), text.as_str())).collect();
        Sources::of(&texts)
    }

    pub fn lengths(&self) -> BTreeMap<&str, usize> {
        self.files.iter().map(|file| (file.name.as_str(), file.lines)).collect()
    }

    /// What each file's code outside tests says, as single words and as paths from their first word on.
    pub fn said(&self) -> impl Iterator<Item = (&str, &Module, String)> {
        self.files.iter().flat_map(|file| {
            let paths = file.named.iter().filter(|n| !n.in_test).map(|n| n.path.join("::"));
            let all = paths.chain(file.words.iter().cloned());
            all.map(|said| (file.name.as_str(), &file.module, said)).collect::<Vec<_>>()
        })
    }

    /// Every name of another file of this crate. What a module hands on by `use` counts as the file that it comes from.
    pub fn imports(&self) -> BTreeSet<Import> {
        let mut found = BTreeSet::new();
        for file in &self.files {
            for named in &file.named {
                let Some(path) = self.absolute(&named.at, &named.path) else { continue };
                for to in self.resolved(&path, 8).into_iter().filter(|to| *to != file.module) {
                    let (from, in_test) = (file.module.clone(), named.in_test);
                    found.insert(Import { file: file.name.clone(), from, to, in_test });
                }
            }
        }
        found
    }

    /// A path from the crate's root; nothing for one of another crate, or of a name that a `use` brought.
    fn absolute(&self, at: &Module, path: &[String]) -> Option<Vec<String>> {
        let mut base = at.clone();
        let mut rest = path;
        match rest.first()?.as_str() {
            "crate" => (base, rest) = (Module::new(), &rest[1..]),
            "self" | "super" => {
                while let Some("self" | "super") = rest.first().map(String::as_str) {
                    if rest[0] == "super" {
                        base.pop()?;
                    }
                    rest = &rest[1..];
                }
            }
            child => {
                let of_here = [at.as_slice(), &[child.to_owned()]].concat();
                self.modules.contains(&of_here).then_some(())?;
            }
        }
        Some([base, rest.to_vec()].concat())
    }

    /// The files in which what a path names is defined.
    fn resolved(&self, path: &[String], depth: usize) -> BTreeSet<Module> {
        let mut at = Module::new();
        for (k, name) in path.iter().enumerate() {
            let inner = [at.as_slice(), std::slice::from_ref(name)].concat();
            if self.modules.contains(&inner) {
                at = inner;
                continue;
            }
            let brought = self.files.iter().flat_map(|f| &f.named).filter(|n| n.at == at && depth > 0);
            // A star brings whatever is there, what was brought there with it.
            let brought = brought.filter(|n| n.binds.as_ref().is_some_and(|b| b == name || name == "*"));
            let mut found = BTreeSet::new();
            for named in brought {
                if let Some(source) = self.absolute(&at, &named.path) {
                    found.extend(self.resolved(&[source, path[k + 1..].to_vec()].concat(), depth - 1));
                }
            }
            if !found.is_empty() && name != "*" {
                return found;
            }
            found.insert(self.file_of(at));
            return found;
        }
        BTreeSet::from([self.file_of(at)])
    }

    /// The module whose file holds a module.
    fn file_of(&self, mut module: Module) -> Module {
        while !module.is_empty() && !self.files.iter().any(|file| file.module == module) {
            module.pop();
        }
        module
    }
}

fn module_of(name: &str) -> Module {
    let mut module: Module = name.trim_end_matches(".rs").split('/').map(str::to_owned).collect();
    if module.last().is_some_and(|last| last == "mod" || (last == "lib" && module.len() == 1)) {
        module.pop();
    }
    module
}

fn collect(folder: &Path, within: &str, texts: &mut Vec<(String, String)>) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        let name = format!("{within}{}", path.file_name().unwrap().to_str().unwrap());
        if path.is_dir() {
            collect(&path, &format!("{name}/"), texts);
        } else if name.ends_with(".rs") && name != "main.rs" {
            texts.push((name, fs::read_to_string(&path).unwrap()));
        }
    }
}

struct Reader {
    named: Vec<Named>,
    words: Vec<String>,
    inline: Vec<Module>,
    of_tests: Vec<Module>,
}

/// Words that begin an item. Anything else behind an attribute is a field, a variant or an arm, which ends at its comma.
const ITEMS: [&str; 12] =
    ["fn", "mod", "use", "impl", "struct", "enum", "const", "static", "trait", "type", "extern", "macro_rules"];

impl Reader {
    fn read(&mut self, code: &[Token], module: &Module, in_test: bool) {
        let mut at = 0;
        while at < code.len() {
            at = self.read_one(code, at, module, in_test);
        }
    }

    /// Reads what begins at a place, and gives the place behind it.
    fn read_one(&mut self, code: &[Token], at: usize, module: &Module, in_test: bool) -> usize {
        let next = code.get(at + 1);
        let Some(word) = code[at].word() else {
            let is_attribute = code[at].is('#') && next.is_some_and(|t| t.is('[') || t.is('!'));
            return if is_attribute { self.read_attribute(code, at, module, in_test) } else { at + 1 };
        };
        match (word, next.and_then(Token::word)) {
            ("mod", Some(name)) => {
                let inner = [module.as_slice(), &[name.to_owned()]].concat();
                if code.get(at + 2).is_some_and(|t| t.is('{')) {
                    let end = closing(code, at + 2);
                    self.inline.push(inner.clone());
                    self.read(&code[at + 3..end], &inner, in_test);
                    return end + 1;
                }
                self.of_tests.extend(in_test.then_some(inner));
                at + 2
            }
            ("use", _) => {
                let end = (at..code.len()).find(|k| code[*k].is(';')).unwrap_or(code.len());
                self.read_use(&code[at + 1..end], module, in_test);
                end
            }
            _ => {
                let mut path = vec![word.to_owned()];
                let mut end = at + 1;
                while let (Some(Token::Then), Some(Token::Word(word))) = (code.get(end), code.get(end + 1)) {
                    path.push(word.clone());
                    end += 2;
                }
                if path.len() > 1 {
                    self.named.push(Named { at: module.clone(), path, binds: None, in_test });
                } else if !in_test {
                    let is_macro = code.get(end).is_some_and(|t| t.is('!'));
                    self.words.push(if is_macro { format!("{word}!") } else { word.to_owned() });
                }
                end
            }
        }
    }

    /// Passes over an attribute. What stands behind `#[cfg(test)]` is read as a test, to its end.
    fn read_attribute(&mut self, code: &[Token], at: usize, module: &Module, in_test: bool) -> usize {
        let open = if code[at + 1].is('!') { at + 2 } else { at + 1 };
        let end = closing(code, open);
        let words: Vec<&str> = code[open..end].iter().filter_map(Token::word).collect();
        let makes_test = words.first() == Some(&"cfg") && words.contains(&"test") && !words.contains(&"not");
        if !makes_test || in_test {
            return end + 1;
        }
        let mut begin = end + 1;
        while code.get(begin).is_some_and(|t| t.is('#')) {
            begin = closing(code, begin + 1) + 1;
        }
        let end = item_end(code, begin);
        self.read(&code[begin.min(end)..end], module, true);
        end
    }

    /// A tree of `use`, its branches one by one.
    fn read_use(&mut self, tree: &[Token], module: &Module, in_test: bool) {
        let mut prefixes: Vec<Vec<String>> = vec![Vec::new()];
        let mut path: Vec<String> = Vec::new();
        let mut binds = None;
        let ends = [Token::Sign(',')];
        for (k, token) in tree.iter().chain(&ends).enumerate() {
            match token {
                Token::Word(word) if word == "as" => binds = tree[k + 1].word().map(str::to_owned),
                Token::Word(_) if k > 0 && tree[k - 1].word() == Some("as") => {}
                Token::Word(word) => path.push(word.clone()),
                Token::Sign('*') => path.push("*".to_owned()),
                Token::Sign('{') => {
                    prefixes.push([prefixes[prefixes.len() - 1].clone(), std::mem::take(&mut path)].concat())
                }
                Token::Sign(sign @ (',' | '}')) => {
                    if !path.is_empty() {
                        let mut whole = [prefixes[prefixes.len() - 1].clone(), std::mem::take(&mut path)].concat();
                        // `a::{self}` is `a`.
                        if whole.len() > 1 && whole.last().is_some_and(|last| last == "self") {
                            whole.pop();
                        }
                        let binds = binds.take().or_else(|| whole.last().cloned());
                        self.named.push(Named { at: module.clone(), path: whole, binds, in_test });
                    }
                    if *sign == '}' {
                        prefixes.pop();
                    }
                }
                _ => {}
            }
        }
    }
}

/// The place of the bracket that closes the one at a place.
fn closing(code: &[Token], open: usize) -> usize {
    let mut depth = 0;
    for (k, token) in code.iter().enumerate().skip(open) {
        match token {
            Token::Sign('(' | '[' | '{') => depth += 1,
            Token::Sign(')' | ']' | '}') => depth -= 1,
            _ => {}
        }
        if depth == 0 {
            return k;
        }
    }
    code.len()
}

/// The place behind an item, a field, a variant or an arm.
fn item_end(code: &[Token], begin: usize) -> usize {
    let head = code[begin.min(code.len())..].iter().take_while(|t| !t.is('{') && !t.is(';'));
    let head: Vec<&Token> = head.collect();
    let is_item = head.iter().filter_map(|t| t.word()).any(|word| ITEMS.contains(&word));
    let has = |word: &str| head.iter().any(|t| t.word() == Some(word));
    // Braces in these don't end them.
    let is_value = match is_item {
        true => !has("fn") && ["use", "const", "static", "type"].iter().any(|word| has(word)),
        false => head.iter().any(|t| t.is('=')),
    };
    let mut at = begin;
    while at < code.len() {
        match &code[at] {
            Token::Sign(';') => return at + 1,
            Token::Sign(',') if !is_item => return at + 1,
            Token::Sign('{') if !is_value => return closing(code, at) + 1,
            Token::Sign('(' | '[' | '{') => at = closing(code, at) + 1,
            Token::Sign(')' | ']' | '}') => return at,
            _ => at += 1,
        }
    }
    at
}
