"""The audit's statistics against published worked examples, a statistics library and a school with planted patterns."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from fake_attempt import make_attempt
from scipy.stats import binomtest
from statsmodels.stats.multitest import multipletests
from synthetic_school import BAD_INSTRUCTOR, PATTERNS, TIGHT_VEHICLE, make_school

from analysis.audit.agreement import agreement, kappa
from analysis.audit.control import chart, ewma, share_limits, usual
from analysis.audit.effects import _fitted, effects
from analysis.audit.funnel import funnel
from analysis.audit.learning import NEVER, fit, grid, learning
from analysis.audit.measures import Grid, leg_of, measures, tyre_grid
from analysis.audit.patterns import patterns, slopes
from analysis.audit.rates import effective_n, icc, rate, rates_by, wilson
from analysis.audit.school import School
from analysis.audit.yard import lay
from analysis.record import attempt_to_json, track_frame


@pytest.fixture(scope="module")
def made():
    return make_school(3)


# ---- rates --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("k", "n", "low", "high"), [
    (0, 10, 0, .2775), (1, 10, .0179, .4042), (3, 20, .0524, .3604), (8, 10, .4902, .9433), (0, 20, 0, .1611),
    (50, 100, .4038, .5962),  # computed from the published formula
    (15, 148, .0624, .1605), (81, 263, .2553, .3662)])  # Newcombe's examples, from memory
def test_wilson_intervals(k: int, n: int, low: float, high: float) -> None:
    found = wilson(np.array([k / n]), np.array([n]))
    assert [float(f[0]) for f in found] == pytest.approx([low, high], abs=5e-5)
    other = binomtest(k, n).proportion_ci(method="wilson")  # scipy's, independently
    assert [float(f[0]) for f in found] == pytest.approx([other.low, other.high], abs=1e-9)


def test_trainees_alike_make_attempts_worth_less() -> None:
    # Two trainees, 0 0 0 and 1 1 1: wholly alike within, so the intraclass correlation is 1.
    y, who = np.array([0, 0, 0, 1, 1, 1.0]), np.array([0, 0, 0, 1, 1, 1])
    assert icc(y, who) == 1.0
    assert rate(y, who).n_effective == pytest.approx(2.0)
    # By hand: 1 1 0 | 0 0 1 | 1 1 1, grand mean 2/3: between ms = 3 (0 + 1/9 + 1/9) / 2 = 1/3, within ms =
    # (2/3 + 2/3 + 0) / 6 = 2/9, three trials each: (1/3 - 2/9) / (1/3 + 2 * 2/9) = 1/7.
    y, who = np.array([1, 1, 0, 0, 0, 1, 1, 1, 1.0]), np.repeat([0, 1, 2], 3)
    assert icc(y, who) == pytest.approx(1 / 7)
    # Design effect 1 + (3 - 1) / 7 = 9/7: nine attempts are worth seven.
    assert effective_n(np.zeros(9, int), 1, who, 1 / 7)[0] == pytest.approx(7.0)


def test_what_is_undecided_is_in_no_rate() -> None:
    y, group = np.array([1, 0, np.nan, 1, np.nan]), np.array([0, 0, 0, 1, -1])
    a, b, c = rates_by(y, group, 3, np.arange(5))
    assert (a.k, a.n, b.k, b.n, c.n) == (1, 2, 1, 1, 0)
    assert (a.rows.tolist(), b.rows.tolist(), (c.low, c.high)) == ([0], [3], (0.0, 1.0))


def test_intervals_hold_the_truth_when_trainees_differ() -> None:
    """40 trainees of 10 attempts, chances Beta(2, 2): the plain interval holds 0.5 far too seldom, ours nearly 95 %."""
    rng = np.random.default_rng(1)
    who = np.repeat(np.arange(40), 10)
    ours = plain = 0
    for _ in range(400):
        y = (rng.random(400) < rng.beta(2, 2, 40)[who]).astype(float)
        r = rate(y, who)
        ours += r.low <= 0.5 <= r.high
        low, high = wilson(np.array([y.mean()]), np.array([400.0]))
        plain += bool(low[0] <= 0.5 <= high[0])
    assert 0.92 <= ours / 400 <= 0.98
    assert plain / 400 < 0.85


# ---- control charts -----------------------------------------------------------------------------------


def test_p_chart_limits() -> None:
    # NIST/SEMATECH e-Handbook 6.3.3.2: thirty wafers of 50, p-bar 0.2313.
    low, high = share_limits(0.2313, np.array([50.0]), 3)
    assert (float(low[0]), float(high[0])) == pytest.approx((0.0524, 0.4102), abs=5e-5)


def test_np_chart_limits() -> None:
    # rstudio-pubs 1407303: 50 lots of 200, 357 defects in all; upper limit 15.01184 of 200, lower clamped at 0.
    found = [8, 7, 11, 3, 6, 11, 4, 4, 5, 8, 8, 6, 7, 6, 10, 7, 9, 5, 6, 8, 8, 10, 4, 11, 4, 11, 6, 6, 9, 5, 4, 7, 5,
             7, 8, 5, 10, 9, 7, 9, 4, 9, 4, 7, 11, 8, 10, 8, 7, 5]
    y = np.concatenate([np.r_[np.ones(k), np.zeros(200 - k)] for k in found])
    days = pd.Series(np.repeat(pd.date_range("2020-01-15", periods=50, freq="30D"), 200))
    c = chart(y, days, np.arange(len(y)))
    assert c.centre == pytest.approx(0.0357)
    whole = [p for p in c.points if p.rate.n == 200]
    assert len(whole) > 40
    assert whole[0].high * 200 == pytest.approx(15.01184, abs=1e-5)
    assert whole[0].low == 0
    assert all(p.signal != "above" for p in whole)


def test_limits_for_few_trials_are_the_binomial_s_own() -> None:
    # n = 10, p = 0.1: P(R <= 2) = 0.9298, P(R <= 3) = 0.9872, so three of ten are within the 97.5 % limit
    low, high = share_limits(0.1, np.array([10.0]), 1.959964)
    assert (float(low[0]), float(high[0])) == (0, 0.3)
    # one attempt, failed, where half fail: nothing is outside
    low, high = share_limits(0.5, np.array([1.0]), 3)
    assert (float(low[0]), float(high[0])) == (0, 1)


def test_one_attempt_is_blamed_for_nothing() -> None:
    f = funnel(np.array([1.0, 0.0]), np.array([0, 1]), ["a", "b"], np.arange(2))
    assert [p.place for p in f.places] == ["inside", "inside"]


def test_ewma_of_the_engineering_handbook() -> None:
    # NIST/SEMATECH e-Handbook 6.3.2.4; data from memory, arithmetic consistent with its printed averages and limits.
    x = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4,
         53.6, 52.1]
    told = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05, 49.38,
            49.92, 50.73, 51.23, 51.94, 51.99]
    z, low, high = ewma(np.array(x), np.full(20, 2.0539), 50.0, 0.3, 3.0)
    assert np.abs(z - told).max() < 0.0051
    assert (high[-1], low[-1]) == pytest.approx((52.5884, 47.4115), abs=2e-3)  # theirs is the steady state
    assert not np.any((z > high) | (z < low))


def test_ewma_of_a_textbook() -> None:
    # Montgomery's data as on help.imsl.com (ewma): first signals at observations 29 and 30 with the steady limits.
    x = [9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34, 9.03, 11.47, 10.51, 9.40, 10.08, 9.37,
         10.62, 10.31, 8.52, 10.84, 10.90, 9.33, 12.29, 11.50, 10.60, 11.08, 10.38, 11.62, 11.31, 10.52]
    z, low, high = ewma(np.array(x), np.ones(30), 10.0, 0.1, 2.7)
    assert z[[0, 1, 27, 28]] == pytest.approx([9.945, 9.7495, 10.57314, 10.64682], abs=5e-6)
    assert high[-1] - 10 == pytest.approx(0.61942, abs=1.2e-3)
    assert (np.flatnonzero((z > high) | (z < low)) + 1).tolist() == [29, 30]


def test_an_intake_of_beginners_is_no_signal_but_a_change_is(made) -> None:
    s = made.school
    for kind in ("stopping_box", "tyre_over_line"):
        y = s.had(kind)
        plain = chart(y, s.attempts["day"], s.cluster)
        fair = chart(y, s.attempts["day"], s.cluster, usual(y, s.turn))
        assert len(fair.signals) <= min(1, len(plain.signals))
    y = s.had("dry_steering")  # planted: more frequent from 70 % of the 36 months on, which is February 2026
    told = chart(y, s.attempts["day"], s.cluster, usual(y, s.turn)).signals
    up = [p for p in told if p.signal in ("above", "rising")]
    assert up and min(p.start for p in up) >= pd.Timestamp("2026-02-01")
    assert {p.name for p in up} & {"2026-02", "2026-03", "2026-04"}


def test_few_months_are_charted_by_week() -> None:
    days = pd.Series(pd.to_datetime(["2026-03-02", "2026-03-04", "2026-03-16"]))
    assert [p.name for p in chart(np.array([1, 0, 1.0]), days, np.arange(3)).points] == [
        "week of 2026-03-02", "week of 2026-03-16"]


# ---- groups ---------------------------------------------------------------------------------------------


def test_the_funnel_finds_the_planted_instructor_and_no_other(made) -> None:
    f = funnel(made.school.failed, *made.school.codes("instructor"), made.school.cluster)
    assert [p.name for p in f.places if p.place.startswith("very")] == [BAD_INSTRUCTOR]


def test_small_groups_of_alike_trainees_are_seldom_blamed() -> None:
    """20 schools in which instructors do not differ at all, of 8 instructors: 99.8 % limits, 160 chances."""
    blamed = 0
    for seed in range(20):
        s = make_school(seed, 600, planted=False).school
        blamed += sum(p.place.startswith("very") for p in funnel(s.failed, *s.codes("instructor"), s.cluster).places)
    assert blamed <= 3  # 0.3 expected


# ---- agreement ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("table", "told"), [
    ([[20, 5], [10, 15]], 0.40),  # howcodex.com/statistics/cohen_kappa_coefficient.htm
    ([[12, 2], [4, 2]], 0.2105)])  # easycalculation.com
def test_kappa(table: list, told: float) -> None:
    found = kappa(np.array(table))
    assert found is not None and found[0] == pytest.approx(told, abs=5e-5)


def test_the_interval_of_kappa() -> None:
    # dgbonett.github.io/statpsych/reference/ci.kappa.html, after Fleiss and Paik 2003: 31, 12, 4, 58
    found = kappa(np.array([[31, 12], [4, 58]]))
    assert found == pytest.approx((0.6756757, 0.5317210, 0.8196303), abs=1e-6)


def test_agreement_counts_only_what_somebody_judged() -> None:
    f = pd.DataFrame({"attempt": range(100, 115), "kind": ["a"] * 12 + ["b"] * 3,
                      "tool_verdict": ["fault"] * 8 + ["ok"] * 7,
                      "people_verdict": ["fault"] * 7 + ["ok"] * 4 + ["fault", "ok", None, None]})
    whole, a, b = agreement(f)
    assert (whole.table.sum(), a.kind, a.table.sum(), b.table.sum()) == (13, "a", 12, 1)
    assert whole.overruled.tolist() == [107, 111]
    assert whole.attempts[0, 1].tolist() == [111]
    assert a.kappa == pytest.approx((10 / 12 - 0.5556) / (1 - 0.5556), abs=1e-3)  # by hand
    assert b.kappa is None
    assert kappa(np.array([[5, 0], [0, 0]])) is None


# ---- patterns -------------------------------------------------------------------------------------------


def test_the_correction_s_published_example() -> None:
    # Benjamini and Hochberg 1995, section 4: 15 comparisons, four rejected at 0.05 (Bonferroni: three). P-values of
    # that paper from memory.
    p = [.0001, .0004, .0019, .0095, .0201, .0278, .0298, .0344, .0459, .3240, .4262, .5719, .6528, .7590, 1.0]
    assert multipletests(p, 0.05, "fdr_bh")[0].sum() == 4
    assert multipletests(p, 0.05, "bonferroni")[0].sum() == 3


def test_slopes_are_those_of_a_statistics_library() -> None:
    rng = np.random.default_rng(4)
    cluster = np.sort(rng.integers(0, 30, 400))
    x = rng.normal(size=(400, 2)) + rng.normal(size=(30, 2))[cluster]
    y = rng.normal(size=(400, 3)) + x[:, :1] + rng.normal(size=(30, 3))[cluster]
    x, y = x - x.mean(axis=0), y - y.mean(axis=0)
    slope, se, score = slopes(x, y, cluster, 30)
    for i in range(2):
        for j in range(3):
            other = sm.OLS(y[:, j], x[:, i]).fit(cov_type="cluster", cov_kwds={"groups": cluster,
                                                                              "use_correction": False})
            assert slope[i, j] == pytest.approx(other.params[0])
            assert se[i, j] == pytest.approx(other.bse[0] * np.sqrt(30 / 29))
            # the score of 'no slope': the sum of the clusters' scores over the root of their squares' sum
            own = np.bincount(cluster, x[:, i] * y[:, j])
            assert score[i, j] == pytest.approx(own.sum() / np.sqrt(np.sum(own**2)))


def test_taking_out_is_the_same_as_a_regression_with_everything_in_it() -> None:
    """One told pattern against the whole linear model with a column for each trainee."""
    s = make_school(3, 2000).school
    told = next(p for p in patterns(s).told if p.early == "early_heading_deg" and p.shape == "signed")
    a = s.attempts
    dummies = pd.get_dummies(a[["vehicle", "course"]], drop_first=True).to_numpy(float)
    everything = np.column_stack([a[told.early], np.log2(s.turn), dummies, pd.get_dummies(s.cluster).to_numpy(float)])
    y = np.nan_to_num(s.had(told.later, ("reverse", "shunt", "later", "end")))
    other = np.linalg.lstsq(everything, y, rcond=None)[0][0]
    assert told.effect == pytest.approx(other * told.step, rel=1e-6)


def test_planted_patterns_are_told_and_planted_non_patterns_are_not(made) -> None:
    found = patterns(made.school)
    told = {(p.early, p.later) for p in found.told}
    assert told == PATTERNS
    close = next(p for p in found.told if (p.early, p.later) == ("early_lateral_m", "mark_close"))
    assert close.shape == "far"
    assert close.parts[0].share < close.parts[1].share < close.parts[2].share
    assert all(made.school.had("mark_close")[p.rows].all() for p in close.parts)
    assert all(p.low < p.effect < p.high and p.p <= p.q <= 0.05 for p in found.told)


def test_of_what_is_told_hardly_anything_is_chance() -> None:
    """Eight schools of 1200 attempts; tests/bench/library.py does 100 of 10 000."""
    false = []
    for seed in range(8):
        found = patterns(make_school(seed, 1200).school).told
        false.append(sum((p.early, p.later) not in PATTERNS for p in found) / max(len(found), 1))
    assert np.mean(false) <= 0.05 + 2 * 0.05 / np.sqrt(8)


def test_a_school_without_patterns_is_told_so() -> None:
    told = [len(patterns(make_school(seed, 1200, planted=False).school).told) for seed in range(8)]
    assert sum(n > 0 for n in told) <= 2  # 0.4 expected


def test_hardly_any_attempts_make_no_pattern() -> None:
    assert patterns(make_school(1, 30).school).told == ()


# ---- learning -------------------------------------------------------------------------------------------


def test_a_trainee_with_very_many_attempts_stands_for_himself() -> None:
    """Eleven trainees of 400 attempts each: the fit is then nearly a logistic regression of each."""
    rng = np.random.default_rng(2)
    turn = np.tile(np.arange(1, 401), 11)
    who = np.repeat(np.arange(11), 400)
    a, b = rng.normal(-0.5, 0.8, 11), rng.normal(0.2, 0.15, 11)
    y = (rng.random(len(turn)) < 1 / (1 + np.exp(-a[who] - b[who] * np.log2(turn)))).astype(float)
    found = fit(y, turn, who, 11)
    ga, gb = grid()
    for k in range(11):
        other = sm.Logit(y[who == k], sm.add_constant(np.log2(turn[who == k]))).fit(disp=0)
        at = np.array([1, np.log2(200)])
        se = np.sqrt(at @ other.cov_params() @ at)
        assert found.posterior()[k] @ (ga + gb * at[1]) == pytest.approx(other.params @ at, abs=0.3 * se)


def test_readiness_intervals_hold_the_true_chance(made) -> None:
    found = learning(made.school)
    assert found is not None and found.gain_low > 0
    held = [k.low <= made.next_pass[k.name] <= k.high for k in found.learners]
    assert 0.88 <= np.mean(held) <= 0.99
    assert all(k.low <= k.ready <= k.high and k.needed_low <= k.needed <= k.needed_high <= NEVER
               for k in found.learners)
    someone = found.learners[0]
    assert set(made.school.attempts["trainee"].iloc[someone.rows]) == {someone.name}


def test_three_failures_do_not_condemn() -> None:
    """A trainee with one attempt, failed, is drawn towards the school; one with forty failures is not."""
    rng = np.random.default_rng(0)
    who = np.r_[np.repeat(np.arange(30), 20), 30, np.repeat(31, 40)]
    turn = np.r_[np.tile(np.arange(1, 21), 30), 1, np.arange(1, 41)]
    y = np.r_[(rng.random(600) < 0.75).astype(float), 0, np.zeros(40)]
    found = fit(y, turn, who, 32)
    a, b = grid()
    next_one = [found.posterior()[30] @ (1 / (1 + np.exp(-(a + b)))),
                found.posterior()[31] @ (1 / (1 + np.exp(-(a + b * np.log2(41)))))]
    assert next_one[0] > 0.5
    assert next_one[1] < 0.15


def test_nothing_is_said_of_learning_below_ten_trainees() -> None:
    assert learning(make_school(1, 100, trainees=8).school) is None


# ---- vehicles apart from drivers ------------------------------------------------------------------------


def test_the_mixed_model_on_a_published_example() -> None:
    # Penicillin yields, 4 treatments in 5 blends (Box, Hunter and Hunter; data from memory, they reproduce the
    # printed sums of squares); people.bath.ac.uk/jjf23/mixchange/rbd.html prints the REML fit: means 84, 85, 89, 86,
    # sds 3.43 and 4.34, se of a difference 2.75 (its optimiser's; sqrt(2 * 18.833 / 5) is 2.7447).
    y = np.array([89, 88, 97, 94, 84, 77, 92, 79, 81, 87, 87, 85, 87, 92, 89, 84, 79, 81, 80, 88], float)
    treat, blend = np.tile(np.arange(4), 5), np.repeat(np.arange(5), 4)
    x = np.column_stack([np.ones(20), *(treat == k for k in (1, 2, 3))]).astype(float)
    told = [("", str(k), np.eye(4)[k], np.arange(20)) for k in range(4)]
    found = _fitted("y", y, x, blend, told, [])
    assert found is not None
    assert [e.estimate for e in found.effects] == pytest.approx([84, 1, 5, 2], abs=1e-3)
    assert (found.effects[1].high - found.effects[1].estimate) / 1.959964 == pytest.approx(2.7447, abs=1e-3)
    assert (found.sd_trainee, found.sd_rest) == pytest.approx((3.43, 4.34), abs=0.005)


def test_a_vehicle_is_told_apart_from_its_drivers(made) -> None:
    found = effects(made.school, "out_tyre_m")
    assert found is not None
    vehicle = {e.name: e for e in found.effects if e.group == "vehicle"}
    # planted: 0.15 m less than each of the four others, so 0.12 m below the average of the five
    assert vehicle[TIGHT_VEHICLE].low <= -0.12 <= vehicle[TIGHT_VEHICLE].high < 0
    # poor trainees drive V1, which is no worse: its plain average is, the model's effect is not
    a = made.school.attempts
    plain = a.groupby("vehicle")["out_tyre_m"].mean()
    assert plain["V1"] < plain[["V3", "V4", "V5"]].min()
    for v in ("V1", "V3", "V4", "V5"):
        assert vehicle[v].estimate == pytest.approx(0.03, abs=1.5 * (vehicle[v].high - vehicle[v].estimate))  # 3 se
    assert sum(e.estimate for e in vehicle.values()) == pytest.approx(0, abs=1e-9)
    assert [g for g, _ in found.not_told] == ["instructor"]  # each trainee has one


def test_setting_out_is_told_apart_too(made) -> None:
    found = effects(made.school, "out_pivot_m")
    assert found is not None
    pivot = next(e for e in found.effects if e.name == "setout_pivot_m")
    # planted: 0.8 m a metre, so 8 cm per 10 cm; within 3 se
    assert pivot.estimate == pytest.approx(-0.08, abs=1.5 * (pivot.high - pivot.estimate)) and pivot.high < 0


def test_vehicles_that_share_no_driver_are_not_compared() -> None:
    s = make_school(1, 800).school
    own = s.attempts.assign(vehicle=["V1" if int(t[1:]) % 2 else "V2" for t in s.attempts["trainee"]])
    found = effects(School(own, s.findings), "out_tyre_m")
    assert found is not None
    assert "vehicle" in dict(found.not_told)
    assert not [e for e in found.effects if e.group == "vehicle"]


# ---- what one attempt contributes -----------------------------------------------------------------------


def test_measures_of_a_hand_made_attempt() -> None:
    attempt = make_attempt()
    record, frame = attempt_to_json(attempt), track_frame(attempt)
    track = {c: frame[c].to_numpy(float) for c in frame}
    found = measures(record, track)
    # Every mark stands 5 cm ahead of its plan and 10 cm to its right; the bay is on the left of the pair.
    assert found["setout_pivot_m"] == pytest.approx(-0.1)
    assert found["setout_bay_width_m"] == pytest.approx(0)
    assert found["setout_pair_m"] == pytest.approx(-0.1)
    # It starts at (26, -2) with its front axle 4.8 m ahead; the pair's middle is at x 42.5 + 0.05.
    assert found["early_ahead_m"] == pytest.approx(26 + 4.8 - 42.55, abs=1e-6)
    assert found["early_speed_mps"] == pytest.approx(1.6, abs=1e-6)
    assert found["out_tyre_m"] == pytest.approx(0.01)
    assert measures(record, None)["early_ahead_m"] is None
    assert measures(record | {"marks": []}, track)["setout_pivot_m"] is None


def test_the_leg_in_which_a_finding_lies() -> None:
    legs = [{"t_start_s": a, "t_end_s": b, "direction": d} for a, b, d in
            [(1, 5, 1), (7, 20, -1), (22, 24, 1), (26, 40, -1)]]
    at = [(0, "forward"), (3, "forward"), (6, "forward"), (7, "reverse"), (21, "reverse"), (23, "shunt"),
          (30, "later"), (41, "end")]
    for t, leg in at:
        assert leg_of({"legs": legs}, {"kind": "mark_close", "t_start_s": t}) == leg
    assert leg_of({"legs": legs}, {"kind": "shunt_count", "t_start_s": 7}) == "shunt"
    assert leg_of({"legs": []}, {"kind": "mark_close", "t_start_s": 7}) == "forward"


def test_tyre_clearance_is_laid_where_the_tyres_were() -> None:
    record = {"vehicle": {"width_m": 2.5, "wheelbase_m": 5.0}}
    track = {"x_m": np.array([10.0, 11.0, np.nan]), "y_m": np.zeros(3), "heading_rad": np.array([0, 0.1, 0]),
             "tyre_left_m": np.array([0.5, 0.3, 0.1]), "tyre_right_m": np.array([2.0, np.nan, np.nan])}
    g = tyre_grid(record, track)
    assert g is not None
    # straight: the rear left corner (10, 1.25) counts as furthest left; at 0.1 rad the front left, (15.85, 1.74);
    # the right side at (10, -1.25) only
    assert (g.ix0, g.iy0, g.least_m.shape) == (10, -2, (6, 4))
    told = {(g.ix0 + i, g.iy0 + j): g.least_m[i, j] for i, j in np.argwhere(np.isfinite(g.least_m))}
    assert told == {(10, 1): 0.5, (15, 1): 0.3, (10, -2): 2.0}
    far = track | {"x_m": np.array([10.0, 1e6, -1e300])}
    again = tyre_grid(record, far)
    assert again is not None and again.least_m.size < 100  # the damaged places are left out
    assert tyre_grid(record, track | {"y_m": np.full(3, 2000.0)}) is None


def test_the_yard_counts_each_attempt_once_a_square() -> None:
    a, b = Grid(0, 0, np.array([[0.5, np.nan]])), Grid(-1, 1, np.array([[0.1], [-0.05]]))
    yard = lay([(k, g.ix0, g.iy0, g.least_m) for k, g in enumerate((a, b, b))],
               [(2, 0.5, 1.5), (2, 0.6, 1.7), (0, 99.0, 0)], [(1, -0.5, 1.0)])
    assert yard is not None
    assert (yard.ix0, yard.iy0) == (-1, 0)
    assert yard.came.tolist() == [[0, 2], [1, 2]]
    assert yard.over.tolist() == [[0, 0], [0, 2]]
    assert yard.least_m[1].tolist() == [0.5, -0.05]
    assert yard.near == {(-1, 1): [1, 2], (0, 1): [1, 2]}
    assert (yard.faults, yard.lost) == ({(0, 1): [2], (99, 0): [0]}, {(-1, 1): [1]})
    assert lay([], [], []) is None
