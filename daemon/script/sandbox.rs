//! The engine, filled from the table of `api` and closed to all else, and the
//! watch that ends a script.
//!
//! There is no file, network, clock, random number, module, closure or `eval`
//! in it, and nothing is printed. Constants are not folded: a script answers
//! for the data that it is given. An engine serves one thread.
//!
//! Called by: `host`. Not here: what scripts may call (`api`).

use std::cell::{Cell, RefCell};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::time::Instant;

use rhai::{
    AST, CallFnOptions, Dynamic, Engine, EvalAltResult, FuncArgs, OptimizationLevel, Position,
    Scope,
};

use super::api::{self, Hand};
use super::columns::Column;
use super::criteria::Ruled;
use super::distances::Fit;
use super::fault::{DEADLINE_TOKEN, Fault, FaultKind, fault_of};
use super::limits::{CLOCK_EVERY, FUNCTIONS, ITEMS_PER_OPERATION, Limits, VARIABLES};
use super::seen::{Point, Run, Setting};
use super::values::Amount;

/// Words of the language that a script must not use: what would load, run text,
/// hide a fault, or choose silently between unlike kinds.
const CLOSED: &[&str] = &[
    "eval",
    "Fn",
    "call",
    "curry",
    "try",
    "catch",
    "switch",
    "print",
    "debug",
    "type_of",
    "is_def_var",
    "is_def_fn",
    "is_shared",
    "import",
    "export",
    "this",
];

/// What a running script may still use up.
#[derive(Clone, Copy)]
struct Watch {
    operations: u64,
    ends: Option<Instant>,
    /// Operations that native functions used up.
    charged: u64,
    /// Whether they did since the clock was last looked at.
    look: bool,
}

thread_local! {
    static WATCH: Cell<Watch> = const {
        Cell::new(Watch { operations: 0, ends: None, charged: 0, look: false })
    };
    /// Operations of the engine as it last told them.
    static TOLD: Cell<u64> = const { Cell::new(0) };
    static ENGINE: RefCell<Option<(Limits, Hand, Engine)>> = const { RefCell::new(None) };
}

/// Tells the watch that a native function goes through this many items.
pub(super) fn charge(items: usize) {
    let operations = (items / ITEMS_PER_OPERATION) as u64;
    if operations > 0 {
        let mut watch = WATCH.get();
        watch.charged = watch.charged.saturating_add(operations);
        watch.look = true;
        WATCH.set(watch);
    }
}

/// Operations that the last script of this thread used up, those that native
/// functions charged among them.
pub(super) fn used() -> u64 {
    TOLD.get().saturating_add(WATCH.get().charged)
}

/// Whether the script must end, asked at every operation.
fn must_end(operations: u64) -> Option<Dynamic> {
    TOLD.set(operations);
    let mut watch = WATCH.get();
    if operations.saturating_add(watch.charged) > watch.operations {
        return Some("operations".into());
    }
    if watch.look || operations.is_multiple_of(CLOCK_EVERY) {
        watch.look = false;
        WATCH.set(watch);
        if watch.ends.is_some_and(|ends| Instant::now() >= ends) {
            return Some(DEADLINE_TOKEN.into());
        }
    }
    None
}

/// An engine with these limits.
pub(super) fn engine(limits: &Limits, hand: Hand) -> Engine {
    let mut engine = Engine::new_raw();
    engine
        .set_optimization_level(OptimizationLevel::None)
        .set_fast_operators(false)
        .set_strict_variables(true)
        .set_fail_on_invalid_map_property(true)
        .set_allow_anonymous_fn(false)
        .set_max_call_levels(limits.depth)
        .set_max_expr_depths(limits.expression_depth, limits.expression_depth)
        .set_max_string_size(limits.string_bytes)
        .set_max_array_size(limits.array_items)
        .set_max_map_size(limits.map_items)
        .set_max_variables(VARIABLES)
        .set_max_functions(FUNCTIONS)
        .set_max_operations(limits.operations)
        .on_progress(must_end);
    for word in CLOSED {
        engine.disable_symbol(*word);
    }
    engine
        .register_type_with_name::<Amount>("a measured value")
        .register_type_with_name::<Column>("a column")
        .register_type_with_name::<Ruled>("a ruling")
        .register_type_with_name::<Run>("the run")
        .register_type_with_name::<Setting>("a setting")
        .register_type_with_name::<Point>("a point")
        .register_type_with_name::<Fit>("a fit");
    for entry in api::of(hand) {
        (entry.register)(&mut engine);
    }
    engine
}

/// Does something with this thread's engine. A panic in the engine becomes a
/// fault: it must not end the daemon.
pub(super) fn with_engine<T>(
    limits: &Limits,
    hand: Hand,
    does: impl FnOnce(&Engine) -> T,
) -> Result<T, Fault> {
    let engine_of_thread = ENGINE.take();
    let fitting = engine_of_thread.filter(|(of, whose, _)| of == limits && *whose == hand);
    let engine = fitting.map_or_else(|| engine(limits, hand), |(_, _, engine)| engine);
    let done = catch_unwind(AssertUnwindSafe(|| {
        let done = does(&engine);
        // Not put back after a panic: a new one is built.
        ENGINE.set(Some((*limits, hand, engine)));
        done
    }));
    done.map_err(|_| {
        let message = "the script engine failed; the script was stopped";
        Fault::at(Position::NONE, FaultKind::Engine, message)
    })
}

/// Calls a function of a script under these limits.
pub(super) fn call(
    limits: &Limits,
    hand: Hand,
    ast: &AST,
    function: &str,
    arguments: impl FuncArgs,
) -> Result<Dynamic, Fault> {
    TOLD.set(0);
    WATCH.set(Watch {
        operations: limits.operations,
        ends: Instant::now().checked_add(limits.deadline),
        charged: 0,
        look: false,
    });
    // Only functions are called: what stands outside of them never runs.
    let options = CallFnOptions::new().eval_ast(false);
    let called = with_engine(limits, hand, |engine| {
        let mut scope = Scope::new();
        engine.call_fn_with_options::<Dynamic>(options, &mut scope, ast, function, arguments)
    })?;
    called.map_err(|error: Box<EvalAltResult>| fault_of(&error, hand))
}
