//! `earlywood calc` as its contract states it: options in, keys and figures out.
//!
//! Figures without a named source are worked values, computed independently with numpy and scipy.

use crate::common::{calc, run};
use serde_json::Value;

/// The one JSON object a call prints.
fn answer(line: &str, rows: &str) -> Value {
    let got = run(&calc(line), rows.as_bytes());
    assert_eq!(got.code, Some(0), "calc {line}\n{}", got.stderr);
    let value: Value =
        serde_json::from_str(&got.stdout).unwrap_or_else(|e| panic!("{e} in {:?}", got.stdout));
    assert!(value.is_object(), "{value}");
    assert!(got.stdout.ends_with('\n'), "the object ends its line");
    value
}

/// A number at a key; a missing key or another type fails with the whole object shown.
#[track_caller]
fn number(of: &Value, key: &str) -> f64 {
    of.get(key)
        .and_then(Value::as_f64)
        .unwrap_or_else(|| panic!("no number {key} in {of}"))
}

#[track_caller]
fn list<'a>(of: &'a Value, key: &str) -> &'a [Value] {
    of.get(key)
        .and_then(Value::as_array)
        .unwrap_or_else(|| panic!("no list {key} in {of}"))
}

/// The object has these keys; it may have more.
#[track_caller]
fn has_keys(of: &Value, keys: &[&str]) {
    let object = of.as_object().expect("an object");
    for key in keys {
        assert!(object.contains_key(*key), "no key {key} in {of}");
    }
}

/// Equal to ten significant digits, which is what the worked values have.
#[track_caller]
fn close(got: f64, want: f64) {
    let tolerance = 1e-12 + 6e-10 * want.abs();
    assert!((got - want).abs() <= tolerance, "got {got}, want {want}");
}

#[track_caller]
fn all_close(got: &[Value], want: &[f64]) {
    assert_eq!(got.len(), want.len(), "{got:?}");
    for (g, &w) in got.iter().zip(want) {
        close(g.as_f64().expect("a number"), w);
    }
}

// ---- capture ----

/// Hyperbolic secant (Manoukis, Hall & Geib 2014, Sci Rep 4:7015) and its closed integral 4 pi G p0 / lambda^2.
#[test]
fn capture_sech() {
    let got = answer(
        "capture --form sech --reach 10 --peak 1 --distances 0,5,10,20,100",
        "",
    );
    has_keys(&got, &["p", "sampling_area_m2"]);
    all_close(
        list(&got, "p"),
        &[1.0, 0.886818884, 0.6480542737, 0.2658022288, 9.079985934e-05],
    );
    close(number(&got, "sampling_area_m2"), 1151.036313);
    let got = answer("capture --form sech --reach 36 --peak 1 --distances 100", "");
    all_close(list(&got, "p"), &[0.1238741604]);
    close(number(&got, "sampling_area_m2"), 14917.43061);
}

/// Sampling areas 2 pi p0 delta^2, 2 pi p0 sigma^2 and pi p0 R^2 in the manner of Turchin & Odendaal 1996
/// (Environ Entomol 25:582-588).
#[test]
fn capture_other_forms() {
    for form in ["exponential", "half-normal"] {
        let got = answer(
            &format!("capture --form {form} --reach 20 --peak 0.5 --distances 0,20"),
            "",
        );
        close(number(&got, "sampling_area_m2"), 1256.637061);
        let at_reach = if form == "exponential" { -1.0_f64 } else { -0.5 };
        all_close(list(&got, "p"), &[0.5, 0.5 * at_reach.exp()]);
    }
    let got = answer(
        "capture --form disc --reach 35 --peak 0.25 --distances 0,34.9,35.1",
        "",
    );
    all_close(list(&got, "p"), &[0.25, 0.25, 0.0]);
    close(
        number(&got, "sampling_area_m2"),
        0.25 * std::f64::consts::PI * 35.0 * 35.0,
    );
}

#[test]
fn capture_is_stable_at_extremes() {
    let got = answer(
        "capture --form sech --reach 1 --peak 1 --distances 0,100,700,100000",
        "",
    );
    let p: Vec<f64> = list(&got, "p")
        .iter()
        .map(|v| v.as_f64().expect("a number"))
        .collect();
    close(p[1], 2.0 * (-100.0_f64).exp());
    assert!(p[2] >= 0.0 && p[2] < 1e-300 && p[3] == 0.0, "{p:?}");
    let got = answer(
        "capture --form half-normal --reach 20 --peak 0 --distances 0,5",
        "",
    );
    all_close(list(&got, "p"), &[0.0, 0.0]);
}

// ---- network ----

#[test]
fn network_competing_traps() {
    let corners = "kind,x,y\ntrap,0,0\ntrap,100,0\ntrap,0,100\ntrap,100,100\ncell,30,40\n";
    let got = answer("network --form sech --reach 20 --peak 1 --flyers 1", corners);
    let cells = list(&got, "cells");
    assert_eq!(cells.len(), 1);
    has_keys(&cells[0], &["x", "y", "p_one", "sensitivity"]);
    close(number(&cells[0], "x"), 30.0);
    close(number(&cells[0], "y"), 40.0);
    close(number(&cells[0], "p_one"), 0.2640680788);

    let line = "kind,x,y\ncell,0,0\ntrap,10,0\ntrap,0,-20\n";
    let got = answer("network --form sech --reach 10 --peak 1 --flyers 1", line);
    close(number(&list(&got, "cells")[0], "p_one"), 0.7416022322);
}

/// A Poisson number of flyers with mean 50, each caught with probability 0.02: 1 - exp(-1).
#[test]
fn network_many_flyers() {
    let got = answer(
        "network --form disc --reach 10 --peak 0.02 --flyers 50",
        "kind,x,y\ntrap,0,0\ncell,3,4\ncell,30,40\n",
    );
    let cells = list(&got, "cells");
    close(number(&cells[0], "p_one"), 0.02);
    close(number(&cells[0], "sensitivity"), 0.6321205588);
    close(number(&cells[1], "sensitivity"), 0.0);
}

#[test]
fn network_is_stable_at_extremes() {
    let rows = "kind,x,y\ntrap,0,0\ntrap,0,0\ncell,0,0\ncell,100000,0\n";
    let got = answer("network --form sech --reach 1 --peak 1 --flyers 1000000", rows);
    let cells = list(&got, "cells");
    close(number(&cells[0], "p_one"), 1.0);
    close(number(&cells[0], "sensitivity"), 1.0);
    close(number(&cells[1], "sensitivity"), 0.0);
    // No trap at all is an answer too: nothing is seen.
    let got = answer(
        "network --form sech --reach 10 --peak 1 --flyers 9",
        "kind,x,y\ncell,0,0\n",
    );
    close(number(&list(&got, "cells")[0], "sensitivity"), 0.0);
}

// ---- lure ----

/// `days` days with these extremes, from 1 January 2024.
fn days(extremes: impl IntoIterator<Item = (f64, f64)>) -> String {
    let first = jiff::civil::date(2024, 1, 1);
    let mut text = String::from("date,tmin_c,tmax_c\n");
    for (i, (low, high)) in extremes.into_iter().enumerate() {
        let date = first.saturating_add(jiff::Span::new().days(i as i64));
        text.push_str(&format!("{date},{low},{high}\n"));
    }
    text
}

const WARM_WEEK: [f64; 7] = [18.0, 20.0, 24.0, 28.0, 32.0, 30.0, 26.0];

#[test]
fn lure_zero_order() {
    let week = days(WARM_WEEK.map(|t| (t, t)));
    let options = "lure --kind zero-order --rated-days 42 --reference-c 20 --q10 2 --beta 0.4";
    let got = answer(options, &week);
    has_keys(&got, &["days", "empty_on"]);
    let list_of_days = list(&got, "days");
    assert_eq!(list_of_days.len(), 7);
    has_keys(&list_of_days[6], &["date", "equivalent_days", "left", "potency"]);
    assert_eq!(list_of_days[6]["date"], "2024-01-07");
    close(number(&list_of_days[6], "equivalent_days"), 10.74427288);
    close(number(&list_of_days[6], "left"), 0.7441839791);
    assert!(got["empty_on"].is_null());
    // The same week over and over empties it after 27.363 days, within the 28th.
    let weeks = days((0..42).map(|i| WARM_WEEK[i % 7]).map(|t| (t, t)));
    let got = answer(options, &weeks);
    assert_eq!(got["empty_on"], "2024-01-28");
    let all = list(&got, "days");
    close(number(&all[41], "left"), 0.0);
    close(number(&all[41], "potency"), 0.0);
    assert!(number(&all[26], "left") > 0.0 && number(&all[26], "potency") > 0.0);
}

/// Mean 20, half-range 8, Q10 2: the mean factor over a sine day is I0(8 ln 2 / 10).
#[test]
fn lure_sine_day() {
    let got = answer(
        "lure --kind zero-order --rated-days 42 --reference-c 20 --q10 2 --beta 1",
        &days([(12.0, 28.0), (17.0, 33.0)]),
    );
    let all = list(&got, "days");
    close(number(&all[0], "equivalent_days"), 1.078362506);
    close(number(&all[1], "equivalent_days"), 1.078362506 + 1.525034881);
}

#[test]
fn lure_first_order() {
    let options = "lure --kind first-order --half-life-days 30 --reference-c 20 --q10 2 --beta 0.5";
    for (at_c, left) in [(20.0, 0.3789291416), (30.0, 0.1435872944)] {
        let got = answer(options, &days([(at_c, at_c); 42]));
        let all = list(&got, "days");
        close(number(&all[41], "left"), left);
        assert!(
            got["empty_on"].is_null(),
            "a first-order lure is never quite empty"
        );
        for pair in all.windows(2) {
            let (before, after) = (number(&pair[0], "potency"), number(&pair[1], "potency"));
            assert!(
                (0.0..=1.0).contains(&after) && after <= before,
                "{before} then {after}"
            );
        }
    }
}

// ---- sample-size ----

#[test]
fn sample_size_binomial() {
    let table: [(f64, f64, f64, f64); 8] = [
        (0.01, 1.0, 0.95, 299.0),
        (0.01, 0.8, 0.95, 373.0),
        (0.01, 0.5, 0.95, 598.0),
        (0.01, 0.63, 0.95, 475.0),
        (0.05, 1.0, 0.95, 59.0),
        (0.1, 1.0, 0.95, 29.0),
        (0.001, 1.0, 0.95, 2995.0),
        (0.01, 1.0, 0.99, 459.0),
    ];
    for (level, sensitivity, confidence, n) in table {
        let got = answer(
            &format!(
                "sample-size --population none --level {level} --sensitivity {sensitivity} --confidence {confidence}"
            ),
            "",
        );
        has_keys(&got, &["n", "confidence"]);
        close(number(&got, "n"), n);
        close(
            number(&got, "confidence"),
            1.0 - (1.0 - level * sensitivity).powf(n),
        );
    }
}

/// Exact hypergeometric sizes; the infested number is level x population (Cannon & Roe 1982 tabulate the same).
#[test]
fn sample_size_exact() {
    for (population, level, confidence, n) in [
        (1000, "0.01", "0.95", 258.0),
        (100, "0.01", "0.95", 95.0),
        (100, "0.05", "0.95", 45.0),
        (500, "0.01", "0.95", 225.0),
        (200, "0.01", "0.95", 155.0),
        (10000, "0.01", "0.95", 294.0),
        (50, "0.02", "0.95", 48.0),
        (1000, "0.05", "0.95", 57.0),
        (1000, "0.02", "0.95", 138.0),
        (1000, "0.005", "0.95", 450.0),
        (1000, "0.001", "0.95", 950.0),
        (1000, "0.01", "0.99", 368.0),
    ] {
        let got = answer(
            &format!(
                "sample-size --population {population} --level {level} --sensitivity 1 --confidence {confidence}"
            ),
            "",
        );
        close(number(&got, "n"), n);
        assert!(number(&got, "confidence") >= confidence.parse().expect("a number"));
    }
    // An imperfect look: the exact sum over the infested in the sample needs 323 (the approximation says 324).
    let got = answer(
        "sample-size --population 1000 --level 0.01 --sensitivity 0.8 --confidence 0.95",
        "",
    );
    close(number(&got, "n"), 323.0);
}

/// 0.29 x 100 is 28.999999999999996 in binary floating point; 29 are infested all the same.
#[test]
fn sample_size_counts_whole_units() {
    let got = answer(
        "sample-size --population 100 --level 0.29 --sensitivity 1 --confidence 0.95",
        "",
    );
    close(number(&got, "n"), 9.0);
    close(number(&got, "confidence"), 0.9608492092);
}

// ---- freedom ----

/// Martin, Cameron & Greiner 2007 (Prev Vet Med 79:71-97): update, then re-introduction.
#[test]
fn freedom_over_periods() {
    let got = answer(
        "freedom --prior-infested 0.5 --sensitivity 0.6 --introduction 0.02 --periods 8",
        "",
    );
    has_keys(&got, &["p_free", "limit"]);
    all_close(
        list(&got, "p_free"),
        &[
            0.7142857143,
            0.8536585366,
            0.9275283937,
            0.9614878548,
            0.9760743309,
            0.9821559744,
            0.9846601128,
            0.9856858836,
        ],
    );
    close(number(&got, "limit"), 0.9863945578);
    let got = answer(
        "freedom --prior-infested 0.5 --sensitivity 0.6 --introduction 0 --periods 4",
        "",
    );
    all_close(
        list(&got, "p_free"),
        &[0.7142857143, 0.8620689655, 0.9398496241, 0.9750390016],
    );
}

// ---- siting ----

/// A line of six hosts and eleven candidates; with one flyer a cell counts its weight times the chance that it is
/// caught. Checked by trying every subset.
#[test]
fn siting_on_a_line() {
    let mut rows = String::from("kind,id,x,y,weight\n");
    for (i, (x, w)) in [(5, 1), (15, 2), (22, 1), (48, 3), (55, 1), (90, 2)]
        .into_iter()
        .enumerate()
    {
        rows.push_str(&format!("cell,h{i},{x},0,{w}\n"));
    }
    for x in (0..=100).step_by(10) {
        rows.push_str(&format!("place,p{x},{x},0,\n"));
    }
    for (k, chosen, objective) in [
        (1, vec!["p50"], 4.982688878),
        (2, vec!["p10", "p50"], 7.91342492),
        (3, vec!["p10", "p50", "p90"], 9.637346031),
    ] {
        let got = answer(
            &format!("siting --form sech --reach 15 --peak 1 --pick {k} --spacing 0 --objective sensitivity"),
            &rows,
        );
        assert_eq!(chosen_of(&got), chosen, "{got}");
        close(number(&got, "objective"), objective);
        proved(&got);
    }
}

/// Maximal covering (Church & ReVelle 1974): 28 of 28 with b, d and e, which greedy (27) and one-swap search miss.
#[test]
fn siting_covers_all_28() {
    let rows = "kind,id,x,y,weight\ncell,1,0,0,5\ncell,2,30,10,3\ncell,3,60,0,4\ncell,4,100,0,6\ncell,5,110,20,2\n\
                cell,6,55,50,7\ncell,7,20,60,1\nplace,a,0,0,\nplace,b,30,0,\nplace,c,60,20,\nplace,d,100,10,\nplace,e,40,55,\n";
    for (k, chosen, of_28) in [
        (1, vec!["c"], 14.0),
        (2, vec!["c", "d"], 22.0),
        (3, vec!["b", "d", "e"], 28.0),
    ] {
        let got = answer(
            &format!(
                "siting --form disc --reach 35 --peak 1 --flyers 1 --pick {k} --spacing 0 --objective cover"
            ),
            rows,
        );
        assert_eq!(chosen_of(&got), chosen, "{got}");
        close(number(&got, "objective"), of_28);
        proved(&got);
    }
}

/// Two places too close together are never both chosen, even when they are the best two.
#[test]
fn siting_keeps_its_spacing() {
    let rows = "kind,id,x,y,weight\ncell,1,0,0,10\ncell,2,40,0,9\ncell,3,300,0,1\nplace,a,0,0,\nplace,b,40,0,\nplace,c,300,0,\n";
    let pick = |spacing: &str| {
        let got = answer(
            &format!(
                "siting --form sech --reach 10 --peak 0.5 --flyers 2 --pick 2 --spacing {spacing} --objective sensitivity"
            ),
            rows,
        );
        proved(&got);
        chosen_of(&got)
    };
    assert_eq!(pick("0"), ["a", "b"]);
    assert_eq!(pick("39"), ["a", "b"]);
    assert_eq!(pick("41"), ["a", "c"]);
}

fn chosen_of(got: &Value) -> Vec<String> {
    has_keys(got, &["chosen", "objective", "bound", "gap", "seconds"]);
    let mut chosen: Vec<String> = list(got, "chosen")
        .iter()
        .map(|v| v.as_str().expect("an id").to_owned())
        .collect();
    chosen.sort();
    chosen
}

/// The bound really bounds, and the gap is the one between the two figures shown.
fn proved(got: &Value) {
    let (objective, bound, gap) = (number(got, "objective"), number(got, "bound"), number(got, "gap"));
    assert!(bound >= objective - 1e-12, "{got}");
    let (of_bound, of_plan) = ((bound - objective) / bound, (bound - objective) / objective);
    // A gap below a solver's own tolerance may be shown as none.
    assert!(
        (gap - of_bound).abs() < 1e-8 || (gap - of_plan).abs() < 1e-8,
        "{got}"
    );
    assert!(number(got, "seconds") >= 0.0);
}

// ---- degree-days ----

/// One day of each of the six cases, thresholds 10 and 30 (definitions: Baskerville & Emin 1969, Ecology 50:514-517;
/// Allen 1976, Environ Entomol 5:388-396; Zalom et al. 1983, Leaflet 21373), checked by integrating two million points.
#[test]
fn degree_days_six_cases() {
    let rows = days([
        (32.0, 40.0),
        (0.0, 8.0),
        (14.0, 26.0),
        (5.0, 20.0),
        (18.0, 36.0),
        (4.0, 38.0),
    ]);
    for (method, cutoff, want) in [
        (
            "sine",
            "horizontal",
            [20.0, 0.0, 10.0, 3.77122441, 15.47453071, 10.40076441],
        ),
        (
            "sine",
            "intermediate",
            [14.0, 0.0, 10.0, 3.77122441, 13.94906142, 8.711748007],
        ),
        (
            "sine",
            "vertical",
            [0.0, 0.0, 10.0, 3.77122441, 7.637999667, 3.952510937],
        ),
        (
            "triangle",
            "horizontal",
            [20.0, 0.0, 10.0, 3.333333333, 16.0, 10.58823529],
        ),
        (
            "triangle",
            "intermediate",
            [14.0, 0.0, 10.0, 3.333333333, 15.0, 9.647058824],
        ),
        (
            "triangle",
            "vertical",
            [0.0, 0.0, 10.0, 3.333333333, 9.333333333, 5.882352941],
        ),
    ] {
        let got = answer(
            &format!("degree-days --lower 10 --upper 30 --method {method} --cutoff {cutoff}"),
            &rows,
        );
        let mut sum = 0.0;
        assert_eq!(list(&got, "days").len(), 6);
        for (day, want) in list(&got, "days").iter().zip(want) {
            has_keys(day, &["date", "dd", "sum"]);
            close(number(day, "dd"), want);
            sum += number(day, "dd");
            close(number(day, "sum"), sum);
        }
        assert_eq!(list(&got, "days")[5]["date"], "2024-01-06");
    }
}

#[test]
fn degree_days_double_and_average() {
    let rows = days([(5.0, 20.0), (9.0, 21.0)]);
    for (method, want) in [
        ("double-sine", 4.200194311),
        ("double-triangle", 3.939393939),
        ("average", 2.5),
    ] {
        let got = answer(&format!("degree-days --lower 10 --method {method}"), &rows);
        close(number(&list(&got, "days")[0], "dd"), want);
    }
}

/// 48 and 95 F between 50 and 88 F is 20.51136583 degree-days F; the same day in Celsius, times 1.8.
#[test]
fn degree_days_in_the_other_unit() {
    let c = |f: f64| (f - 32.0) / 1.8;
    let got = answer(
        &format!(
            "degree-days --lower {} --upper {} --method sine --cutoff horizontal",
            c(50.0),
            c(88.0)
        ),
        &days([(c(48.0), c(95.0))]),
    );
    close(1.8 * number(&list(&got, "days")[0], "dd"), 20.51136583);
}

/// A smooth invented year between the thresholds fitted by Umeda & Paine 2019 (Agric For Entomol 21:1-7).
#[test]
fn degree_days_over_a_year() {
    let year = (0..365).map(|d| {
        let mean = 16.0 + 8.0 * (std::f64::consts::TAU * (f64::from(d) + 0.5) / 365.0).sin();
        (mean - 6.0, mean + 6.0)
    });
    let got = answer(
        "degree-days --lower 13.34 --upper 33.08 --method sine --cutoff horizontal",
        &days(year),
    );
    close(number(&list(&got, "days")[364], "sum"), 1618.088203);
}

// ---- origin ----

const CATCHES: &str = "x,y,catch,effort\n0,0,8,1\n100,0,3,1\n0,100,2,1\n100,100,1,1\n";

/// Four traps at the corners of a square catch 8, 3, 2 and 1.
#[test]
fn origin_from_four_traps() {
    let got = answer("origin --form exponential --reach 50 --peak 1 --grid 1", CATCHES);
    has_keys(&got, &["best", "region50_m2", "region95_m2"]);
    close(number(&got["best"], "x"), 24.0);
    close(number(&got["best"], "y"), 5.0);
    let (half, most) = (number(&got, "region50_m2"), number(&got, "region95_m2"));
    assert!(half > 0.0 && half < most, "{got}");
    // With a flat prior on [-100, 200] squared the 95 % region is 20 385 of the 90 601 one-metre nodes.
    assert!((most - 20_385.0).abs() <= 2.0, "{got}");
    // (b) sech: (32.45090, 22.70108); (c) half-normal, in closed form: (35.33934829, 29.21147225).
    for (form, reach, x, y) in [
        ("sech", 30, 32.45090, 22.70108),
        ("half-normal", 40, 35.33934829, 29.21147225),
    ] {
        let got = answer(
            &format!("origin --form {form} --reach {reach} --peak 1 --grid 1"),
            CATCHES,
        );
        assert!((number(&got["best"], "x") - x).abs() <= 0.75, "{got}");
        assert!((number(&got["best"], "y") - y).abs() <= 0.75, "{got}");
    }
}

/// Effort counts: the same catch from a tenth of the effort pulls the origin towards that trap.
#[test]
fn origin_weighs_effort() {
    let got = answer(
        "origin --form half-normal --reach 40 --peak 1 --grid 1",
        "x,y,catch,effort\n0,0,4,10\n100,0,4,1\n0,100,1,10\n100,100,1,1\n",
    );
    // In closed form x = 50 + 16 ln((5/1)/(5/10)) and y = 50 + 16 ln(2/8).
    assert!((number(&got["best"], "x") - 86.841361).abs() <= 0.75, "{got}");
    assert!((number(&got["best"], "y") - 27.819290).abs() <= 0.75, "{got}");
}

/// What is believed besides: clumped catches and an unsure reach widen the region, a place of arrival draws it.
#[test]
fn origin_with_beliefs() {
    let ask = |more: &str| {
        answer(
            &format!("origin --form exponential --reach 50 --peak 1 --grid 5 {more}"),
            CATCHES,
        )
    };
    let region = |got: &Value| number(got, "region95_m2");
    let plain = ask("");
    // Nothing believed of the number of flyers gives the same posterior as profiling it out, whatever the code.
    let same = ask("--arrival 0,0,50,0");
    close(region(&same), region(&plain));
    assert_eq!(same["best"], plain["best"]);
    assert!(
        region(&ask("--clumping 0.5")) > 1.2 * region(&plain),
        "clumped catches say less"
    );
    let unsure = ask("--reach-sigma 0.5 --draws 50");
    assert_eq!(number(&unsure, "draws"), 50.0);
    assert!(number(&unsure, "effective_draws") > 1.0, "{unsure}");
    assert_ne!(region(&unsure), region(&plain));
    let drawn = ask("--arrival 100,100,20,1000");
    assert!(
        number(&drawn["best"], "x") > number(&plain["best"], "x"),
        "{drawn}"
    );
    let few = ask("--flyers 20,0.5");
    assert!(region(&few) > 0.0 && number(&few, "draws") == 1.0, "{few}");
}

// ---- spread ----

#[test]
fn spread_kernels() {
    for (options, within, p_within, quantile, radius, mean) in [
        (
            "exponential --scale 50",
            100,
            0.5939941503,
            "0.95",
            4.743864518 * 50.0,
            100.0,
        ),
        (
            "exponential --scale 50",
            100,
            0.5939941503,
            "0.5",
            1.67834699 * 50.0,
            100.0,
        ),
        (
            "gaussian --diffusion 10000 --days 30",
            0,
            0.0,
            "0.95",
            1896.016542,
            970.8129563,
        ),
        (
            "2dt --u 2500 --p 1.5",
            100,
            0.9105572809,
            "0.5",
            38.32104683,
            50.0,
        ),
        (
            "2dt --u 2500 --p 1.5",
            100,
            0.9105572809,
            "0.95",
            126.1751065,
            50.0,
        ),
        (
            "lognormal --median 100 --sigma 1",
            100,
            0.5,
            "0.95",
            518.0251602,
            164.8721271,
        ),
    ] {
        let got = answer(
            &format!("spread --kernel {options} --within {within} --quantile {quantile}"),
            "",
        );
        has_keys(&got, &["p_within", "radius_m", "mean_m"]);
        close(number(&got, "p_within"), p_within);
        close(number(&got, "radius_m"), radius);
        close(number(&got, "mean_m"), mean);
    }
}

// ---- what a spreadsheet writes ----

/// A byte-order mark, Windows line ends, columns in another order, capitals and a column too many change nothing.
#[test]
fn spreadsheets_are_read() {
    let plain = answer(
        "degree-days --lower 10 --upper 30",
        "date,tmin_c,tmax_c\n2024-05-01,5,20\n",
    );
    let got = answer(
        "degree-days --lower 10 --upper 30",
        "\u{feff}Tmax_C,note,Date,tmin_c\r\n20,warm,2024-05-01,5\r\n",
    );
    assert_eq!(got, plain);
}

/// `--json` is accepted everywhere, and `calc` answers in JSON with or without it.
#[test]
fn json_is_the_only_language_here() {
    let line = "freedom --prior-infested 0.5 --sensitivity 0.6 --introduction 0.02 --periods 3";
    assert_eq!(answer(line, ""), answer(&format!("{line} --json"), ""));
}
