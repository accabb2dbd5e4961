//! Compiles scripts and runs them over views.
//!
//! A script's file begins with its page in `//` lines, the first of them its
//! summary; then `fn given()` with its parameters, where it has any, and either
//! `fn criterion(run, given)`, which returns a ruling, or `fn metric(run,
//! given)`, which returns a measured value.
//!
//! Called by: plans (compile, given), rulings (rule, measure). Not here: what
//! scripts may call (`api`), where views come from.

use std::borrow::Cow;
use std::sync::Arc;

use photometry::uncertainty::Estimate;
use rhai::{AST, Dynamic, Position};

use super::api::Hand;
use super::check;
use super::criteria::{Ruled, Ruling};
use super::fault::{Fault, FaultKind, Mistake, mistake_of};
use super::limits::{Limits, TEXT_BYTES};
use super::parameters::{Given, Parameter};
use super::sandbox;
use super::seen::Run;
use super::values::{Amount, kind_of};
use super::view::{Measured, View};

/// What a script gives.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// A ruling.
    Criterion,
    /// A measured value.
    Metric,
}

impl Kind {
    /// Name of the function that gives it.
    pub const fn function(self) -> &'static str {
        match self {
            Kind::Criterion => "criterion",
            Kind::Metric => "metric",
        }
    }
}

/// A script that was compiled; free to be used by any thread.
#[derive(Clone, Debug)]
pub struct Script {
    /// Its name, by which plans call it.
    pub name: String,
    /// Its text, whole.
    pub text: String,
    /// What it gives.
    pub kind: Kind,
    /// The first line of its page.
    pub summary: String,
    /// Its parameters with their defaults, by name.
    pub parameters: Vec<Parameter>,
    ast: AST,
}

/// Compiles a script.
///
/// # Errors
/// All mistakes that can be found at once; after one of syntax nothing else can.
pub fn compile(name: &str, text: &str) -> Result<Script, Vec<Mistake>> {
    let ast = parsed(text, Hand::Ruling)?;
    let limits = Limits::default();
    let (as_sent, text) = (text, without_lone_returns(text));
    let text: &str = &text;
    let mut mistakes = Vec::new();
    let kind = check::kind(&ast, text, &mut mistakes);
    let parameters = check::parameters(&ast, text, &limits, &mut mistakes);
    let given = parameters.iter().map(|p| p.name.clone()).collect();
    check::names(&ast, given, Hand::Ruling, &mut mistakes);
    match kind {
        Some(kind) if mistakes.is_empty() => Ok(Script {
            name: name.to_owned(),
            text: as_sent.to_owned(),
            kind,
            summary: summary(text),
            parameters,
            ast,
        }),
        _ => {
            mistakes.sort_by_key(|mistake| (mistake.line, mistake.column));
            Err(mistakes)
        }
    }
}

/// A script's syntax.
///
/// # Errors
/// The first mistake in it, or that the text is too long.
pub(super) fn parsed(text: &str, hand: Hand) -> Result<AST, Vec<Mistake>> {
    if text.len() > TEXT_BYTES {
        let message = format!("the script has more than {TEXT_BYTES} bytes");
        return Err(vec![Mistake::at(Position::NONE, message)]);
    }
    let text = without_lone_returns(text);
    let compiled = sandbox::with_engine(&Limits::default(), hand, |engine| engine.compile(&*text));
    match compiled {
        Ok(Ok(ast)) => Ok(ast),
        Ok(Err(error)) => Err(vec![mistake_of(&error)]),
        Err(fault) => Err(vec![Mistake::at(Position::NONE, fault.message)]),
    }
}

/// With a blank for each carriage return that ends no line: the engine counts
/// it as a line, and no editor does.
pub(super) fn without_lone_returns(text: &str) -> Cow<'_, str> {
    if !text.contains('\r') {
        return Cow::Borrowed(text);
    }
    let mut chars = text.chars().peekable();
    let mut kept = String::with_capacity(text.len());
    while let Some(c) = chars.next() {
        let lone = c == '\r' && chars.peek() != Some(&'\n');
        kept.push(if lone { ' ' } else { c });
    }
    Cow::Owned(kept)
}

/// The first line of a script's page.
fn summary(text: &str) -> String {
    let lines = text
        .lines()
        .map(str::trim)
        .skip_while(|line| line.is_empty());
    let mut comments = lines.map_while(|line| line.strip_prefix("//"));
    comments.next().unwrap_or("").trim().to_owned()
}

/// Rules on a view. A fault of the script is an undecided ruling that tells it.
pub fn rule(script: &Script, view: &Arc<View>, given: &Given, limits: &Limits) -> Ruling {
    rule_with_terms(script, view, given, limits).0
}

/// The same, and beside it the figure that was ruled on with its terms of
/// uncertainty: what an account of the ruling has to show.
pub fn rule_with_terms(
    script: &Script,
    view: &Arc<View>,
    given: &Given,
    limits: &Limits,
) -> (Ruling, Option<Estimate>) {
    let run = Run::new(view);
    let ruled = called(script, Kind::Criterion, &run, given, limits);
    let ruled = ruled.and_then(|value| {
        let kind = kind_of(&value);
        let message = format!(
            "the criterion returned {kind} and no ruling: at_least, at_most, between, same_as, \
             all_of, any_of and undecided make one"
        );
        let fault = at_function(script, FaultKind::NotARuling, message);
        value.try_cast::<Ruled>().ok_or(fault)
    });
    match ruled {
        Ok(ruled) => ruled.told(&run),
        Err(fault) => (Ruling::of_fault(fault), None),
    }
}

/// Operations that the last ruling or metric of this thread used up.
pub fn operations_used() -> u64 {
    sandbox::used()
}

/// Computes a metric over a view.
///
/// # Errors
/// With the fault that ended the script. A value that is not known is no fault:
/// it is a measured value that says why.
pub fn measure(
    script: &Script,
    view: &Arc<View>,
    given: &Given,
    limits: &Limits,
) -> Result<Measured, Fault> {
    let run = Run::new(view);
    let value = called(script, Kind::Metric, &run, given, limits)?;
    let kind = kind_of(&value);
    let Some(amount) = value.try_cast::<Amount>() else {
        let message = format!("the metric returned {kind} and no measured value");
        return Err(at_function(script, FaultKind::NotAValue, message));
    };
    Ok(Measured {
        what: amount.0.what.clone(),
        unit: amount.0.unit.clone(),
        flags: amount.remarks(),
        rests_on: run.keys(&amount.0.items),
        reach: None,
    })
}

fn called(
    script: &Script,
    kind: Kind,
    run: &Run,
    given: &Given,
    limits: &Limits,
) -> Result<Dynamic, Fault> {
    if script.kind != kind {
        let (wanted, is) = (kind.function(), script.kind.function());
        let message = format!("`{}` is a {is}, not a {wanted}", script.name);
        return Err(Fault::at(Position::NONE, FaultKind::Error, message));
    }
    let arguments = (run.clone(), given.to_map());
    let called = sandbox::call(
        limits,
        Hand::Ruling,
        &script.ast,
        kind.function(),
        arguments,
    );
    called.map_err(|fault| placed(script, fault))
}

/// Where limits end a script, the engine does not tell the place: then it is
/// that of the loops, or of the function's head.
fn placed(script: &Script, fault: Fault) -> Fault {
    if fault.line > 0 {
        return fault;
    }
    let mut loops = check::loops(&script.ast);
    loops.sort();
    let head = check::place_of(&script.text, script.kind.function());
    let lines = loops.iter().filter_map(|place| place.line());
    let mut lines: Vec<String> = lines.map(|line| line.to_string()).collect();
    lines.dedup();
    let place = loops.first().copied().unwrap_or(head);
    let told = match &lines[..] {
        [] | [_] => fault.message.clone(),
        [most @ .., last] => {
            let message = &fault.message;
            format!(
                "{message}; it loops in lines {} and {last}",
                most.join(", ")
            )
        }
    };
    Fault {
        message: told,
        ..fault.or_at(place)
    }
}

/// A fault at the head of the script's function.
fn at_function(script: &Script, kind: FaultKind, message: String) -> Fault {
    let position = check::place_of(&script.text, script.kind.function());
    Fault::at(position, kind, message)
}
