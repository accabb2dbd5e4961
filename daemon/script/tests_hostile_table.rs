//! Hostile scripts, for the tests of this room and for the timing of how they
//! are stopped (`tests/bench`), which includes this file by its path.

/// Scripts that are refused before they run: (body of the criterion).
pub const REFUSED: &[&str] = &[
    "import \"x\" as x; undecided(\"\")",
    "import \"/etc/passwd\" as p; undecided(\"\")",
    "eval(\"40 + 2\")",
    "let e = \"ev\" + \"al\"; e.call(\"1\")",
    "Fn(\"eval\").call(\"1\")",
    "Fn(\"sleep\").call(10)",
    "let f = Fn(\"exit\"); f.call()",
    "[3, 1, 2].sort(|a, b| 1)",
    "[3, 1, 2].sort()",
    "let f = |x| x; f.call(1)",
    "let f = || loop {}; f.call()",
    "sleep(1000)",
    "exit(3)",
    "print(\"flood\")",
    "debug(run)",
    "timestamp()",
    "rand()",
    "read_file(\"/etc/passwd\")",
    "try { loop {} } catch { at_least(run, 1) }",
    "switch run { 1 => 2, _ => 3 }",
    "this.x = 1",
    "type_of(run)",
    "is_def_var(\"run\")",
    "global::x",
    "export const X = 1;",
    "let x = blob(1000000000);",
    "\"x\".pad(1000000000, \"y\")",
    "parse_int(\"5\")",
    "run.lamp.to_blob()",
    "run.view",
    "run.lamp = \"mine\"; pass()",
];

/// Scripts that run and must be ended.
pub const ENDED: &[&str] = &[
    "for i in 0..10 {\n let n = i;\n}\nlet n = 0;\nloop {\n n += 1.5;\n}",
    "loop {}",
    "while true {}",
    "let n = 0; loop { n += 1; if n > 1000 { n = 0; } }",
    "for i in 0..9223372036854775807 {}",
    "for i in 0..=9223372036854775807 { let x = i; }",
    "for i in -9223372036854775808..9223372036854775807 { }",
    "let n = 9223372036854775807; n + 1",
    "let n = 9223372036854775807; n * n",
    "let n = 2; n ** 64",
    "let n = -9223372036854775807 - 1; -n",
    "5 / 0",
    "5 % 0",
    "5.0 / 0.0",
    "run.levels[0].reference / 0",
    "1 << 9999",
    "sqrt(-1)",
    "ln(0)",
    "exp(100000)",
    "run.levels[9223372036854775807]",
    "run.levels[-9223372036854775808]",
    "run.setting(\"L01\").lux[-9223372036854775808]",
    "\"abc\"[99]",
    "counted(-1)",
    "counted(0.5)",
    "run.setting(\"L01\").lux.percentile(101)",
    "run.setting(\"L01\").lux.percentile(\"x\")",
    "let a = run.levels; loop { a += run.levels; }",
    "let x = run.levels[0].reference; loop { x = x * x; }",
    "let x = run.levels[0].reference; loop { x = x + x; }",
    "let c = run.setting(\"L01\").lux; loop { c = c.ratios(); }",
    "let s = run.levels[0]; loop { s.fit_disc(); s.fit_offset(); }",
    "let v = []; loop { let c = column([run.levels[0].reference, run.levels[1].reference]); c.huber(); }",
    "let r = undecided(\"x\"); loop { r = r.named(\"xxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxx\"); }",
    "let r = undecided(\"x\"); loop { r = all_of([r, r]); }",
    "let l = []; loop { l.push(run.setting(\"L01\").lux.ratios()); }",
    "let l = []; loop { l.push(run.setting(\"L01\").points); }",
    "let s = \"x\"; for i in 0..14 { s += s; } loop { let a = []; for i in 0..900 { a.push(`${s}`); } }",
    "let l = []; loop { let r = at_least(run.levels[0].reference, 1); l.push(r.named(run.lamp)); }",
    "throw \"mine\"",
    "throw run",
    "true",
    "()",
    "5",
    "\"pass\"",
    "#{ word: \"pass\" }",
    "[at_least(run.levels[0].reference, 1)]",
    "run",
    "run.levels[0].reference",
];

/// Scripts that call themselves without an end: (whole text).
pub const RECURSIVE: &[&str] = &[
    "fn f(x) { f(x) }\nfn criterion(run, given) {\n    f(1)\n}",
    "fn f(x) { g(x + 1) + 1 }\nfn g(x) { f(x) + 1 }\nfn criterion(run, given) { f(1) }",
    "fn criterion(run, given) { criterion(run, given) }",
    "fn f(x) { [f([x])] }\nfn criterion(run, given) { f([]) }",
];

/// Scripts that only an end from outside can stop: (body of the criterion).
pub const LONG: &[&str] = &[
    "loop {}",
    "let n = 0.0; loop { n += 1.5; }",
    "let s = run.levels[0]; loop { s.fit_disc(); }",
    "loop { for level in run.levels { level.lux.percentile(5); } }",
    "let x = run.levels[0].reference; loop { x = x * x; }",
];

/// Scripts that hold much by many values, each small enough: (body of the criterion).
pub const HOGS: &[&str] = &[
    "let s = \"x\"; for i in 0..13 { s += s; } let all = [];
     for i in 0..1000000 { all.push(`${s}${i}`); }",
    "let all = []; for i in 0..1000000 { all.push(at_least(run.levels[0].reference, 1)); }",
    "let all = []; for i in 0..1000000 { all.push(run.setting(\"L01\").lux.ratios()); }",
    "let x = run.levels[0].lux_at(0.2); loop { x = x * x + x; }",
];

/// Every level of its calls holds its own strings: (whole text).
pub const HOG_BY_CALLS: &str =
    "fn f(s, n) { let a = []; for i in 0..900 { a.push(`${s}${i}`); } f(s, n + 1); a.len() }
fn criterion(run, given) { let s = \"x\"; for i in 0..13 { s += s; } f(s, 0) }";
