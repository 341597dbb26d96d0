//! Just enough reading of Rust as rustfmt leaves it: where a function begins and ends.

/// A function in a source file.
#[derive(Debug, PartialEq)]
pub(super) struct Function {
    pub(super) name: String,
    /// The line of its `fn`, from 1.
    pub(super) line: usize,
    /// Lines from its `fn` to its last brace.
    pub(super) lines: usize,
    /// Whether it answers requests: its attributes name a method.
    pub(super) is_handler: bool,
}

/// The functions with a body.
pub(super) fn functions(text: &str) -> Vec<Function> {
    let lines: Vec<&str> = text.lines().collect();
    let found = lines.iter().enumerate().filter_map(|(at, line)| {
        let (name, end) = (name(line)?.to_owned(), end(&lines, at)?);
        Some(Function { name, line: at + 1, lines: end - at + 1, is_handler: is_handler(&lines, at) })
    });
    found.collect()
}

/// The name of the function whose `fn` stands in the line.
fn name(line: &str) -> Option<&str> {
    let mut rest = line.trim_start();
    if let Some(after) = rest.strip_prefix("pub(") {
        rest = after.split_once(") ")?.1;
    }
    while let Some(after) = ["pub ", "const ", "async ", "unsafe "].iter().find_map(|word| rest.strip_prefix(word)) {
        rest = after;
    }
    rest.strip_prefix("fn ")?.split(['(', '<']).next()
}

/// The line in which the function that begins in line `at` ends; none for one without a body.
fn end(lines: &[&str], at: usize) -> Option<usize> {
    let indent = indent_of(lines[at]);
    let mut level = (at..lines.len()).filter(|line| *line == at || indent_of(lines[*line]) == indent);
    // The signature ends in its line, or in a later one that is no deeper.
    let signature = level.find(|line| lines[*line].ends_with(['{', '}', ';']))?;
    match lines[signature].chars().last()? {
        '{' => level.find(|line| lines[*line].trim_start().starts_with('}')),
        '}' => Some(signature),
        _ => None,
    }
}

fn indent_of(line: &str) -> usize {
    if line.trim().is_empty() { usize::MAX } else { line.len() - line.trim_start().len() }
}

/// Looks at the attributes and comments above line `at`.
fn is_handler(lines: &[&str], at: usize) -> bool {
    let above = lines[..at].iter().rev().take_while(|line| !line.trim().is_empty() && !line.starts_with('}'));
    let methods = ["#[get(", "#[post(", "#[put(", "#[patch(", "#[delete("];
    above.into_iter().any(|line| methods.iter().any(|method| line.trim_start().starts_with(method)))
}

/// The lines of a source file with their numbers, without what is for tests only.
pub(super) fn without_tests(text: &str) -> Vec<(usize, &str)> {
    let mut kept = Vec::new();
    let mut lines = text.lines().enumerate();
    while let Some((at, line)) = lines.next() {
        if line.trim() == "#[cfg(test)]" {
            let ends = |item: &str| indent_of(item) == indent_of(line) && item.ends_with(['}', ';']);
            lines.find(|(_, item)| ends(item));
        } else {
            kept.push((at + 1, line));
        }
    }
    kept
}

/// The names of the files that a source file takes in for tests only.
pub(super) fn test_modules(text: &str) -> impl Iterator<Item = &str> {
    let lines = text.lines().zip(text.lines().skip(1));
    lines.filter(|(attribute, _)| *attribute == "#[cfg(test)]").filter_map(|(_, item)| {
        let item = item.strip_prefix("pub(crate) ").unwrap_or(item);
        item.strip_prefix("mod ")?.strip_suffix(';')
    })
}

#[test]
fn functions_are_found_and_measured() {
    let text = "\
/// Says one.
fn one() -> u8 {

    1
}

trait Says {
    fn nothing(&self);
    fn said(&self) -> u8 { 2 }
}

#[utoipa::path(
    tag = \"x\")]
#[get(\"/x\")]
pub(crate) async fn get_x<T>(
    a: T,
) -> u8
where
    T: Copy,
{
    if true {
        1
    } else {
        2
    }
}
";
    let function = |name: &str, line, lines, is_handler| Function { name: name.to_owned(), line, lines, is_handler };
    let expected = [function("one", 2, 4, false), function("said", 9, 1, false), function("get_x", 15, 12, true)];
    assert_eq!(functions(text), expected);
}

#[test]
fn what_is_for_tests_is_left_out() {
    let text = "\
use a;
#[cfg(test)]
mod tests;
macro_rules! x {
    #[cfg(test)]
    mod inner {
        fn y() {
        }
    }
    z
}
#[cfg(test)]
mod last {
    fn w() {}
}
";
    let kept: Vec<_> = without_tests(text).into_iter().map(|(_, line)| line.trim()).collect();
    assert_eq!(kept, ["use a;", "macro_rules! x {", "z", "}"]);
    assert_eq!(test_modules(text).collect::<Vec<_>>(), ["tests"]);
}
