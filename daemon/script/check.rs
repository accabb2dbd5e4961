//! What can be known to be wrong with a script before it runs: functions and
//! properties that do not exist, parameters that cannot be read, a file without
//! the function that it is for.
//!
//! Called by: `host`. Not here: syntax (the engine), what happens in a run.

use std::collections::BTreeSet;

use rhai::{AST, ASTNode, Expr, FnCallExpr, Position, Stmt};

use written::nearest;

use super::api::{self, Entry, Hand};
use super::fault::Mistake;
use super::host::Kind;
use super::limits::Limits;
use super::parameters::{Parameter, default_of};
use super::sandbox;

/// The functions that a script is made of, with their parameters.
const PARTS: &[(&str, usize, &str)] = &[
    ("given", 0, "fn given()"),
    ("criterion", 2, "fn criterion(run, given)"),
    ("metric", 2, "fn metric(run, given)"),
];

/// What a script gives; none with a mistake when it is not clear.
pub(super) fn kind(ast: &AST, text: &str, mistakes: &mut Vec<Mistake>) -> Option<Kind> {
    let mut has = BTreeSet::new();
    for function in ast.iter_functions() {
        let place = place_of(text, function.name);
        let part = PARTS.iter().find(|(name, ..)| *name == function.name);
        if let Some((name, parameters, head)) = part {
            has.insert(*name);
            if function.params.len() != *parameters {
                let message = format!("`{name}` has {} parameters", function.params.len());
                mistakes.push(Mistake::at(place, message).hint(format!("write `{head}`")));
            }
        } else if api::named_in(Hand::Ruling, function.name).any(|entry| !entry.is_operator()) {
            let message = format!("`{}` is a function of the host", function.name);
            mistakes.push(Mistake::at(place, message).hint("give yours another name"));
        }
    }
    for statement in ast.statements() {
        if matches!(statement, Stmt::Noop(_)) {
            continue;
        }
        let message = "only functions stand outside of functions: this would never run";
        mistakes.push(Mistake::at(statement.position(), message));
        break;
    }
    match (has.contains("criterion"), has.contains("metric")) {
        (true, false) => Some(Kind::Criterion),
        (false, true) => Some(Kind::Metric),
        (true, true) => {
            let message = "a script is either a criterion or a metric, not both";
            mistakes.push(Mistake::at(place_of(text, "metric"), message));
            None
        }
        (false, false) => {
            let hint = "write `fn criterion(run, given)` for a ruling, \
                        `fn metric(run, given)` for a value";
            let message = "the script has neither a criterion nor a metric";
            mistakes.push(Mistake::at(Position::NONE, message).hint(hint));
            None
        }
    }
}

/// The parameters with their defaults, as `given` gives them.
pub(super) fn parameters(
    ast: &AST,
    text: &str,
    limits: &Limits,
    mistakes: &mut Vec<Mistake>,
) -> Vec<Parameter> {
    let mut functions = ast.iter_functions();
    if !functions.any(|f| f.name == "given" && f.params.is_empty()) {
        return Vec::new();
    }
    let place = place_of(text, "given");
    let value = match sandbox::call(limits, Hand::Ruling, ast, "given", ()) {
        Ok(value) => value,
        Err(fault) => {
            let fault = fault.or_at(place);
            let message = format!("`given` ended with a fault: {}", fault.message);
            mistakes.push(Mistake {
                line: fault.line,
                column: fault.column,
                message,
                hint: None,
            });
            return Vec::new();
        }
    };
    let Some(map) = value.read_lock::<rhai::Map>() else {
        let mistake = Mistake::at(place, "`given` does not return parameters");
        mistakes.push(mistake.hint("write `fn given() { #{ target: \"250 lx\" } }`"));
        return Vec::new();
    };
    let mut parameters = Vec::new();
    for (name, value) in map.iter() {
        match default_of(value) {
            Ok(default) => parameters.push(Parameter {
                name: name.to_string(),
                default,
            }),
            Err(why) => mistakes.push(Mistake::at(place, format!("`{name}`: {why}"))),
        }
    }
    parameters
}

/// Functions, properties and parameters that do not exist.
pub(super) fn names(
    ast: &AST,
    parameters: BTreeSet<String>,
    hand: Hand,
    mistakes: &mut Vec<Mistake>,
) {
    let own: Vec<(String, usize)> = ast
        .iter_functions()
        .map(|f| (f.name.to_owned(), f.params.len()))
        .collect();
    let mut known = Known {
        own,
        parameters,
        map_keys: BTreeSet::new(),
        hand,
    };
    ast.walk(&mut |path: &[ASTNode<'_>]| {
        if let Some(ASTNode::Expr(Expr::Map(map, _))) = path.last() {
            known
                .map_keys
                .extend(map.0.iter().map(|(key, _)| key.name.to_string()));
        }
        true
    });
    let mut found = BTreeSet::new();
    ast.walk(&mut |path: &[ASTNode<'_>]| {
        let mistake = match path.last() {
            Some(ASTNode::Stmt(Stmt::FnCall(call, place))) => known.function(call, *place),
            Some(ASTNode::Expr(Expr::FnCall(call, place))) => known.function(call, *place),
            Some(ASTNode::Expr(Expr::Dot(dot, _, _))) => known.member(&dot.lhs, &dot.rhs),
            Some(ASTNode::Stmt(Stmt::Assignment(assignment))) => changed(&assignment.1.lhs),
            _ => None,
        };
        if let Some(mistake) = mistake
            && found.insert((mistake.line, mistake.column))
        {
            mistakes.push(mistake);
        }
        true
    });
}

/// What a script may name.
struct Known {
    own: Vec<(String, usize)>,
    parameters: BTreeSet<String>,
    map_keys: BTreeSet<String>,
    hand: Hand,
}

impl Known {
    /// A plain call.
    fn function(&self, call: &FnCallExpr, place: Position) -> Option<Mistake> {
        let name = call.name.as_str();
        if call.op_token.is_some() {
            return None;
        }
        let own = self.own.iter().filter(|(own, _)| own == name);
        let counts: Vec<usize> = own.map(|(_, parameters)| *parameters).collect();
        if counts.contains(&call.args.len()) {
            return None;
        }
        if let Some(count) = counts.first() {
            let message = format!("`{name}` has {count} parameters, not {}", call.args.len());
            return Some(Mistake::at(place, message));
        }
        let entries: Vec<&Entry> = api::named_in(self.hand, name)
            .filter(|e| e.arguments.is_some())
            .collect();
        if entries.is_empty() {
            return Some(self.unknown_function(name, place));
        }
        let fits = |entry: &&Entry| arguments(entry) + usize::from(!entry.on.is_empty());
        if entries.iter().any(|entry| fits(entry) == call.args.len()) {
            return None;
        }
        let message = format!("`{name}` does not take {} arguments", call.args.len());
        Some(Mistake::at(place, message).hint(format!("it is {}", entries[0].call())))
    }

    fn unknown_function(&self, name: &str, place: Position) -> Mistake {
        let mistake = Mistake::at(place, format!("there is no function `{name}`"));
        let of_host = api::of(self.hand)
            .iter()
            .filter(|e| e.arguments.is_some() && !e.is_operator());
        let of_host = of_host.map(|entry| entry.name);
        let own = self.own.iter().map(|(own, _)| own.as_str());
        match nearest(name, of_host.chain(own)) {
            Some(meant) => mistake.hint(format!("did you mean `{meant}`?")),
            None if matches!(name, "sleep" | "exit" | "timestamp") => {
                mistake.hint("a script only computes: it does not wait, leave or ask the time")
            }
            None => mistake,
        }
    }

    /// What stands behind a dot.
    fn member(&self, left: &Expr, right: &Expr) -> Option<Mistake> {
        let right = match right {
            Expr::Dot(more, ..) | Expr::Index(more, ..) => &more.lhs,
            other => other,
        };
        match right {
            Expr::Property(property, place) => self.property(left, property.2.as_str(), *place),
            Expr::MethodCall(call, place) => self.method(call, *place),
            _ => None,
        }
    }

    fn property(&self, left: &Expr, name: &str, place: Position) -> Option<Mistake> {
        let of_given = matches!(left, Expr::Variable(variable, ..) if variable.1 == "given");
        if of_given {
            if self.parameters.contains(name) {
                return None;
            }
            let mistake = Mistake::at(place, format!("there is no parameter `{name}`"));
            let known = self.parameters.iter().map(String::as_str);
            return Some(match (nearest(name, known), self.hand) {
                (Some(meant), _) => mistake.hint(format!("did you mean `{meant}`?")),
                (None, Hand::Codec) => {
                    mistake.hint("a codec is given what the steps of its profile are given")
                }
                (None, Hand::Ruling) => {
                    mistake.hint("parameters stand in `fn given()` with their defaults")
                }
            });
        }
        let of_host = || api::of(self.hand).iter().filter(|e| e.arguments.is_none());
        let known = self.map_keys.contains(name) || of_host().any(|entry| entry.name == name);
        if known || self.parameters.contains(name) {
            return None;
        }
        let mistake = Mistake::at(place, format!("nothing has a `{name}`"));
        let method = api::named_in(self.hand, name).find(|entry| entry.arguments.is_some());
        Some(
            match (method, nearest(name, of_host().map(|entry| entry.name))) {
                (Some(method), _) => mistake.hint(format!("it is {}", method.call())),
                (None, Some(meant)) => mistake.hint(format!("did you mean `{meant}`?")),
                (None, None) => mistake,
            },
        )
    }

    fn method(&self, call: &FnCallExpr, place: Position) -> Option<Mistake> {
        let name = call.name.as_str();
        let own = self.own.iter().any(|(own, _)| own == name);
        let entries: Vec<&Entry> = api::named_in(self.hand, name).collect();
        if own || entries.iter().any(|entry| entry.arguments.is_some()) {
            return None;
        }
        match entries.first() {
            None => Some(self.unknown_function(name, place)),
            Some(property) => {
                let message = format!("`{name}` is not called");
                Some(Mistake::at(place, message).hint(format!("write {}", property.call())))
            }
        }
    }
}

/// Only variables are assigned to: the engine does not count what grows inside
/// of a map, nor how deep it gets.
fn changed(left: &Expr) -> Option<Mistake> {
    if matches!(left, Expr::Variable(..)) {
        return None;
    }
    let message = "only a variable can be given another value, not a part of one";
    Some(Mistake::at(left.start_position(), message).hint("use push, or make a new array or map"))
}

/// How many arguments an entry takes.
fn arguments(entry: &Entry) -> usize {
    match entry.arguments {
        None | Some("") => 0,
        Some(list) if list.starts_with('[') => 1,
        Some(list) => list.split(',').count(),
    }
}

/// The loops of a script, by their places.
pub(super) fn loops(ast: &AST) -> Vec<Position> {
    let mut places = Vec::new();
    ast.walk(&mut |path: &[ASTNode<'_>]| {
        if let Some(ASTNode::Stmt(
            Stmt::While(_, place) | Stmt::Do(_, _, place) | Stmt::For(_, place),
        )) = path.last()
        {
            places.push(*place);
        }
        true
    });
    places
}

/// Where a function of a script begins.
pub(super) fn place_of(text: &str, function: &str) -> Position {
    for (at, line) in text.lines().enumerate() {
        let Some(head) = line.trim_start().strip_prefix("fn ") else {
            continue;
        };
        let named = head.trim_start().strip_prefix(function);
        if named.is_some_and(|rest| rest.trim_start().starts_with('(')) {
            let column = line.chars().take_while(|c| c.is_whitespace()).count() + 1;
            let (line, column) = (u16::try_from(at + 1), u16::try_from(column));
            return match (line, column) {
                (Ok(line), Ok(column)) => Position::new(line, column),
                _ => Position::NONE,
            };
        }
    }
    Position::NONE
}
