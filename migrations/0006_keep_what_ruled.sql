-- What a round of rulings was made by: the plan with its text, the line of each
-- criterion in it, another certificate as numbers, and the coverage factor of
-- each figure. Rounds from before this layout have none of it, and say so.

PRAGMA user_version = 6;

-- The text of every plan that was sent along to rule by, by its SHA-256. What
-- a run froze itself stands in its bundle.
CREATE TABLE plans (
    digest  TEXT PRIMARY KEY CHECK (length(digest) = 64),
    text    TEXT NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TRIGGER plans_no_update BEFORE UPDATE ON plans
BEGIN SELECT RAISE(ABORT, 'plans: the text of a plan is never edited'); END;
CREATE TRIGGER plans_no_delete BEFORE DELETE ON plans
BEGIN SELECT RAISE(ABORT, 'plans: the text of a plan is never deleted'); END;

-- `ruled_by`: the run's own plan or another; none where it was not kept.
-- `plan_files`: its file and the one that it is based on, each with its SHA-256.
-- `plan_file`, `plan_line`: where the criterion stands in them.
-- `certificate_gain`, `certificate_u`: of another certificate; u (k = 1) as a
-- share, none where the meter's own stays.
-- `coverage_factor`: the k of `expanded`.
ALTER TABLE rulings ADD COLUMN ruled_by TEXT CHECK (ruled_by IN ('own plan', 'other plan'));
ALTER TABLE rulings ADD COLUMN plan_files TEXT CHECK (plan_files IS NULL OR json_valid(plan_files));
ALTER TABLE rulings ADD COLUMN plan_file TEXT;
ALTER TABLE rulings ADD COLUMN plan_line INTEGER;
ALTER TABLE rulings ADD COLUMN certificate_number TEXT;
ALTER TABLE rulings ADD COLUMN certificate_gain REAL;
ALTER TABLE rulings ADD COLUMN certificate_u REAL;
ALTER TABLE rulings ADD COLUMN coverage_factor REAL;

-- `is_latest`: of the rounds that the same plan and certificate made, the
-- newest. A trial by another plan does not put the run's own rulings aside.
DROP VIEW ruling_list;
CREATE VIEW ruling_list AS
WITH known AS (
    SELECT *, coalesce(ruled_by, CASE cause WHEN 'the run ended' THEN 'own plan' END) AS by_plan,
           CASE ruled_by WHEN 'other plan' THEN plan_files END AS other_files
    FROM rulings
)
SELECT r.id AS ruling, r.run, u.plan, u.lamp, u.unit, r.round, r.cause, r.name, r.purpose, r.test,
       r.word, r.value, r.expanded AS expanded_uncertainty, r.unit AS unit_of_value,
       r.at_least, r.at_most, r.rule, r.reason, r.script, r.script_digest, r.given,
       r.unfinished, r.certificate, r.program,
       strftime('%Y-%m-%dT%H:%M:%S', r.ruled_wall_us / 1000000, 'unixepoch')
           || printf('.%06dZ', r.ruled_wall_us % 1000000) AS ruled_utc,
       r.round = (SELECT max(l.round) FROM known l
                  WHERE l.run = r.run AND l.by_plan IS r.by_plan
                    AND l.other_files IS r.other_files AND l.certificate IS r.certificate) AS is_latest,
       r.coverage_factor, r.by_plan AS ruled_by, r.plan_files, r.plan_file, r.plan_line
FROM known r JOIN runs u ON u.id = r.run;
