//! One draw of the parameters: from segments to sensitivity and probability of absence per zone and period.

use jiff::civil::Date;

use super::field::{Field, LANES};
use super::kernel::{
    MIDDLING, SMALL, exp_neg, exp_neg_small, one_minus_exp_neg, one_minus_exp_neg_middling,
    one_minus_exp_neg_small,
};
use super::schedule::{ALWAYS_FRESH, Calendar, MOST_POWERS, MOST_RESTS, Segment};
use super::types::Input;
use crate::capture::{Capture, Form};
use crate::error::ModelError;
use crate::freedom::per_period;
use crate::profile::DrawnParams;
use crate::weather::{days_between, plus_days};

/// What stays the same over all draws.
#[derive(Debug, Clone)]
pub(super) struct Setting {
    pub(super) calendar: Calendar,
    /// Days on which a lure in use was fitted, sorted; days before the season are negative.
    pub(super) lure_days: Vec<i32>,
    /// Carried-over prior of each zone, where there is one.
    pub(super) priors: Vec<Option<f64>>,
}

/// Segments of every trap of a field.
#[derive(Debug, Clone, Default)]
pub(super) struct Effort {
    /// Segments of trap `i` are `segments[starts[i]..starts[i + 1]]`.
    starts: Vec<usize>,
    segments: Vec<Segment>,
    /// Row of each segment's lure in [`Climate::flown`].
    rows: Vec<u32>,
}

impl Effort {
    /// Segments of every trap of a field, with lures looked up among the setting's.
    pub(super) fn of<'a>(setting: &Setting, traps: impl Iterator<Item = &'a [Segment]>) -> Self {
        let mut effort = Effort {
            starts: vec![0],
            ..Effort::default()
        };
        for segments in traps {
            effort.segments.extend_from_slice(segments);
            // There are no more lure days than days.
            effort
                .rows
                .extend(segments.iter().map(|s| row(&setting.lure_days, s.lure) as u32));
            effort.starts.push(effort.segments.len());
        }
        effort
    }
}

/// Row of [`Climate::flown`] for a lure fitted on a day.
fn row(lure_days: &[i32], lure: i32) -> usize {
    if lure == ALWAYS_FRESH {
        return lure_days.len();
    }
    lure_days.binary_search(&lure).unwrap_or(lure_days.len() + 1)
}

/// What one draw makes of weather: flight and lures, day by day.
#[derive(Debug, Clone)]
pub(super) struct Climate {
    /// Share of flight of each period of the season.
    pub(super) flight_of: Vec<f64>,
    /// One over it; 0 where there is none.
    per_flight: Vec<f64>,
    /// For every lure day, the running sum over days of flight × potency; then the same for a lure always fresh, then
    /// for none.
    flown: Vec<Vec<f64>>,
    lure_days: Vec<i32>,
    /// `h^p (1 - h)^q` for the impaired share `h`.
    shares: [[f64; MOST_RESTS as usize + 1]; MOST_POWERS as usize + 1],
}

/// Whether days are weighted by how much flight they carry, or only by whether any is possible.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum DayWeight {
    Flight,
    AnyFlight,
}

impl Climate {
    pub(super) fn new(
        input: &Input<'_>,
        setting: &Setting,
        params: &DrawnParams,
        weight: DayWeight,
    ) -> Result<Self, ModelError> {
        let calendar = &setting.calendar;
        let flight = flight(input, calendar, params)?;
        let flight_of: Vec<f64> = calendar
            .periods
            .iter()
            .map(|(from, to)| (*from..*to).map(|d| flight[d as usize]).sum())
            .collect();
        let weights: Vec<f64> = match weight {
            DayWeight::Flight => flight,
            DayWeight::AnyFlight => flight.iter().map(|f| f64::from(u8::from(*f > 0.0))).collect(),
        };
        let first = setting.lure_days.first().copied().unwrap_or(0).min(0);
        let ages = ages(input, calendar, params, first)?;
        let age_on = |day: i32| ages[(day - first) as usize];
        let running = |potency: &dyn Fn(i32) -> f64| {
            let mut sum = 0.0;
            let mut out = Vec::with_capacity(weights.len() + 1);
            out.push(0.0);
            for (day, weight) in (0..).zip(&weights) {
                if *weight > 0.0 {
                    sum += weight * potency(day);
                }
                out.push(sum);
            }
            out
        };
        let mut flown: Vec<Vec<f64>> = setting
            .lure_days
            .iter()
            .map(|fitted| {
                running(&|day| {
                    if day < *fitted {
                        return 0.0;
                    }
                    let base = age_on(*fitted);
                    params
                        .lure
                        .mean_potency((age_on(day) - base)..(age_on(day + 1) - base))
                })
            })
            .collect();
        flown.push(running(&|_| 1.0));
        flown.push(vec![0.0; weights.len() + 1]);
        let mut shares = [[1.0; MOST_RESTS as usize + 1]; MOST_POWERS as usize + 1];
        let h = params.impaired_share;
        for (p, row) in shares.iter_mut().enumerate() {
            for (q, share) in row.iter_mut().enumerate() {
                *share = h.powi(p as i32) * (1.0 - h).powi(q as i32);
            }
        }
        let per_flight = flight_of
            .iter()
            .map(|f| if *f > 0.0 { 1.0 / f } else { 0.0 })
            .collect();
        Ok(Climate {
            flight_of,
            per_flight,
            flown,
            lure_days: setting.lure_days.clone(),
            shares,
        })
    }

    /// Sum over the segment's days of weight × effort.
    #[inline]
    pub(super) fn effort(&self, segment: &Segment, row: usize) -> f64 {
        let flown = &self.flown[row];
        let share = self.shares[usize::from(segment.power)][usize::from(segment.rest)];
        let days = flown[usize::from(segment.to)] - flown[usize::from(segment.from)];
        f64::from(segment.factor) * share * days
    }

    /// The same for a whole list of segments.
    pub(super) fn total(&self, segments: &[Segment]) -> f64 {
        segments
            .iter()
            .map(|s| self.effort(s, row(&self.lure_days, s.lure)))
            .sum()
    }

    /// Adds the weighted effort of each day to `out[day]`.
    pub(super) fn add_days(&self, segments: &[Segment], out: &mut [f64]) {
        for segment in segments {
            let row = row(&self.lure_days, segment.lure);
            for day in segment.from..segment.to {
                if let Some(sum) = out.get_mut(usize::from(day)) {
                    let one = Segment {
                        from: day,
                        to: day + 1,
                        ..*segment
                    };
                    *sum += self.effort(&one, row);
                }
            }
        }
    }

    /// Whether a day carries any weight.
    pub(super) fn any_on(&self, day: usize) -> bool {
        let fresh = &self.flown[self.lure_days.len()];
        fresh
            .get(day + 1)
            .zip(fresh.get(day))
            .is_some_and(|(after, before)| after > before)
    }

    /// Adds each period's mean effort, weighted by flight, to `out[period]`.
    pub(super) fn add_means(&self, segments: &[Segment], out: &mut [f64]) {
        for segment in segments {
            let period = usize::from(segment.period);
            out[period] += self.effort(segment, row(&self.lure_days, segment.lure)) * self.per_flight[period];
        }
    }
}

/// Share of the year's flight on each day of the season. A season that reaches over two flight years has a share of each.
fn flight(input: &Input<'_>, calendar: &Calendar, params: &DrawnParams) -> Result<Vec<f64>, ModelError> {
    let end: Date = plus_days(calendar.start, i64::from(calendar.end) - 1);
    let heat = params.flight.heat();
    let mut out = vec![0.0; calendar.end as usize];
    for year in heat.season_of(calendar.start)..=heat.season_of(end) {
        for (date, share) in params.flight.daily_share(input.weather, year)? {
            let day = days_between(calendar.start, date);
            if let Some(slot) = usize::try_from(day).ok().and_then(|d| out.get_mut(d)) {
                *slot = share;
            }
        }
    }
    Ok(out)
}

/// Equivalent age that a lure fitted on day `first` would have at the start of every day from then on.
fn ages(
    input: &Input<'_>,
    calendar: &Calendar,
    params: &DrawnParams,
    first: i32,
) -> Result<Vec<f64>, ModelError> {
    let (mut age, mut out) = (0.0, vec![0.0]);
    for day in first..calendar.end {
        let date = plus_days(calendar.start, i64::from(day));
        match input.weather.get(date) {
            Some(weather) => age += params.lure.day_factor(weather.tmin_c, weather.tmax_c),
            None if day < calendar.counted_end() => {
                return Err(ModelError::Inconsistent(format!(
                    "no temperature for {date}: a lure hung then, and without it its age can't be told"
                )));
            }
            None => age += 1.0,
        }
        out.push(age);
    }
    Ok(out)
}

/// Capture hazards read off a table where they are smooth, and computed where they are not.
///
/// Beyond one reach the curve is a straight line within `reach / 64`: off by less than 1e-4 of the hazard.
pub(super) struct Hazards {
    capture: Capture,
    reach_m: f64,
    cutoff_m: f64,
    per_m: f64,
    table: Vec<f64>,
}

/// Distance at which capture has fallen to a share `floor` of its peak, metres.
pub(super) fn cutoff_m(capture: &Capture, floor: f64) -> f64 {
    if capture.peak() > 0.0 {
        capture.cutoff_m(floor * capture.peak())
    } else {
        0.0
    }
}

impl Hazards {
    pub(super) fn new(capture: Capture, floor: f64, longest_m: f64) -> Self {
        let cutoff_m = cutoff_m(&capture, floor).min(longest_m);
        let reach_m = if capture.form() == Form::Disc {
            f64::INFINITY
        } else {
            capture.reach_m()
        };
        let step = capture.reach_m() / 64.0;
        let table = if cutoff_m > reach_m {
            let count = (cutoff_m / step).ceil() as usize + 2;
            (0..count)
                .map(|i| {
                    if i < 63 {
                        0.0
                    } else {
                        capture.hazard(i as f64 * step)
                    }
                })
                .collect()
        } else {
            Vec::new()
        };
        Hazards {
            capture,
            reach_m,
            cutoff_m,
            per_m: 1.0 / step,
            table,
        }
    }

    /// `None` beyond the cut-off.
    #[inline]
    pub(super) fn at(&self, distance_m: f64) -> Option<f64> {
        if distance_m > self.cutoff_m {
            return None;
        }
        if distance_m <= self.reach_m {
            return Some(self.capture.hazard(distance_m));
        }
        let x = distance_m * self.per_m;
        let i = x as usize;
        let (low, high) = (self.table[i], self.table[i + 1]);
        Some(low + (x - i as f64) * (high - low))
    }
}

/// Result of one draw.
#[derive(Debug, Clone)]
pub(super) struct Outcome {
    /// `[zone][period]`, up to the as-of date.
    pub(super) sensitivity: Vec<Vec<f64>>,
    pub(super) p_free: Vec<Vec<f64>>,
    /// Probability that the zone is free before each period, if nothing were ever looked at.
    pub(super) free: Vec<Vec<f64>>,
    /// Probability of present and unseen, after each period.
    pub(super) present: Vec<Vec<f64>>,
    /// Flight up to the as-of date.
    pub(super) flight_to_date: f64,
}

/// Memory that one thread uses again and again.
#[derive(Default)]
pub(super) struct Scratch {
    means: Vec<f64>,
    one: Vec<f64>,
    /// `[zone × period]` sums of weight × escape and of weight × mass, per lane.
    escape: Vec<[f64; LANES]>,
    mass: Vec<[f64; LANES]>,
}

/// Probabilities of presence before and between periods, per zone.
struct Arrivals {
    /// Chance that the zone is free before each period, if nothing were ever looked at.
    free: Vec<f64>,
    /// Chance that an incursion arrives after each period.
    arriving: Vec<f64>,
    prior: f64,
}

impl Arrivals {
    fn new(calendar: &Calendar, prior: f64, per_year: f64) -> Result<Self, ModelError> {
        let mut free = 1.0 - prior;
        let mut out = Arrivals {
            free: Vec::new(),
            arriving: Vec::new(),
            prior,
        };
        for (from, to) in &calendar.periods[..calendar.to_date] {
            let i = per_period(per_year, f64::from(to - from))?;
            out.free.push(free);
            out.arriving.push(free * i);
            free *= 1.0 - i;
        }
        Ok(out)
    }
}

/// One draw's sensitivity and probability of absence, for every zone and period up to the as-of date.
///
/// **How evidence adds up.** An incursion sits in one cell, chosen by weight, and stays there. It may have been there when
/// the season began (prior) or have come between two periods (re-introduction). Escape from period `t` in cell `c` has
/// probability `m_ct = exp(-s N φ_t (1 - exp(-Σ_i a_ic e_it)))`. Given the cell, escapes of successive periods multiply;
/// averaged over cells they don't, so neither a zone's sensitivity per period nor its season-to-date sensitivity can be
/// fed into `(1-π)/(1-πS)` period after period without counting twice or mixing cells that have been searched with cells
/// that have not. The joint mass is carried instead:
///
/// ```text
/// free F_0 = 1 - π;  mass of "present in c, unseen" Q_c = π w_c
/// each period:  Q_c ← Q_c m_ct;  P(free) = F / (F + Σ Q_c);  then Q_c ← Q_c + i F w_c,  F ← F (1 - i)
/// ```
///
/// With one cell this is exactly the recursion of [`crate::freedom`]. Season-to-date sensitivity is
/// `S = Σ w_c (1 - Π_t m_ct)`, for an incursion present all season.
pub(super) fn evaluate(
    setting: &Setting,
    field: &Field,
    effort: &Effort,
    params: &DrawnParams,
    climate: &Climate,
    floor: f64,
    scratch: &mut Scratch,
) -> Result<Outcome, ModelError> {
    let calendar = &setting.calendar;
    let periods = calendar.to_date;
    let arrivals: Vec<Arrivals> = setting
        .priors
        .iter()
        .map(|p| {
            Arrivals::new(
                calendar,
                p.unwrap_or(params.prior_infested),
                params.introduction_per_year,
            )
        })
        .collect::<Result<_, _>>()?;
    // Only periods with flight can see anything.
    let active: Vec<usize> = (0..periods).filter(|t| climate.flight_of[*t] > 0.0).collect();
    let width = active.len();
    let exposure: Vec<f64> = active
        .iter()
        .map(|t| params.screening * params.flyers * climate.flight_of[*t])
        .collect();
    // Mass that has come since the last active period and up to this one, per unit of weight.
    let come: Vec<Vec<f64>> = arrivals.iter().map(|a| arrived_before(a, &active)).collect();

    means_of_traps(field, effort, climate, &active, periods, scratch);
    let hazards = Hazards::new(params.capture, floor, field.distance_m);
    let zones = setting.priors.len();
    for sums in [&mut scratch.escape, &mut scratch.mass] {
        sums.clear();
        sums.resize(zones * width, [0.0; LANES]);
    }
    let blocks = Blocks {
        field,
        hazards: &hazards,
        means: &scratch.means,
        exposure: &exposure,
        come: &come,
    };
    blocks.sum(&mut scratch.escape, &mut scratch.mass);
    let mut outcome = Outcome {
        sensitivity: Vec::with_capacity(zones),
        p_free: Vec::with_capacity(zones),
        free: Vec::with_capacity(zones),
        present: Vec::with_capacity(zones),
        flight_to_date: climate.flight_of[..periods].iter().sum(),
    };
    for (zone, arrival) in arrivals.iter().enumerate() {
        let sums = zone * width..(zone + 1) * width;
        let (s, p, present) = series_of_zone(
            field,
            zone,
            arrival,
            &active,
            &scratch.escape[sums.clone()],
            &scratch.mass[sums],
        );
        outcome.sensitivity.push(s);
        outcome.p_free.push(p);
        outcome.present.push(present);
    }
    outcome.free = arrivals.into_iter().map(|a| a.free).collect();
    Ok(outcome)
}

/// One draw's sensitivity to date of every cell that a trap reaches: `1 - Π_t m_ct`, slot by slot of the field.
pub(super) fn seen_by_slot(
    setting: &Setting,
    field: &Field,
    effort: &Effort,
    params: &DrawnParams,
    climate: &Climate,
    floor: f64,
    scratch: &mut Scratch,
) -> Vec<f64> {
    let mut seen = vec![0.0; field.cells.len()];
    each_escape(
        setting,
        field,
        effort,
        params,
        climate,
        floor,
        scratch,
        |block, _, unseen| {
            let slots = block * LANES..(block + 1) * LANES;
            seen[slots].iter_mut().zip(unseen).for_each(|(s, u)| *s = 1.0 - u);
        },
    );
    seen
}

/// What is left of an incursion in every cell of a field, up to the end of every period.
pub(super) struct Escapes {
    periods: usize,
    left: Vec<f64>,
}

impl Escapes {
    pub(super) fn at(&self, slot: usize, period: usize) -> f64 {
        self.left[slot * self.periods + period]
    }
}

/// One draw's escapes `Π_{τ<=t} m_cτ`, slot by slot of a field.
pub(super) fn escapes_by_slot(
    setting: &Setting,
    field: &Field,
    effort: &Effort,
    params: &DrawnParams,
    climate: &Climate,
    floor: f64,
    scratch: &mut Scratch,
) -> Escapes {
    let periods = setting.calendar.to_date;
    let mut left = vec![1.0; field.cells.len() * periods];
    each_escape(
        setting,
        field,
        effort,
        params,
        climate,
        floor,
        scratch,
        |block, period, unseen| {
            for (lane, unseen) in unseen.iter().enumerate() {
                // Until the next period with flight nothing changes.
                let row = (block * LANES + lane) * periods;
                left[row + period..row + periods].fill(*unseen);
            }
        },
    );
    Escapes { periods, left }
}

/// Tells, block by block and period by period, what is left of an incursion in each of the block's cells.
#[allow(clippy::too_many_arguments, reason = "all of them are one draw")]
fn each_escape(
    setting: &Setting,
    field: &Field,
    effort: &Effort,
    params: &DrawnParams,
    climate: &Climate,
    floor: f64,
    scratch: &mut Scratch,
    mut each: impl FnMut(usize, usize, &[f64; LANES]),
) {
    let periods = setting.calendar.to_date;
    let active: Vec<usize> = (0..periods).filter(|t| climate.flight_of[*t] > 0.0).collect();
    let exposure: Vec<f64> = active
        .iter()
        .map(|t| params.screening * params.flyers * climate.flight_of[*t])
        .collect();
    means_of_traps(field, effort, climate, &active, periods, scratch);
    let hazards = Hazards::new(params.capture, floor, field.distance_m);
    let blocks = Blocks {
        field,
        hazards: &hazards,
        means: &scratch.means,
        exposure: &exposure,
        come: &[],
    };
    let (mut hazard, mut near) = (vec![[0.0; LANES]; active.len()], Vec::new());
    for block in 0..field.block_zone.len() {
        blocks.hazards_of_block(block, &mut near, &mut hazard);
        let mut unseen = [1.0; LANES];
        for ((hazard, exposure), period) in hazard.iter().zip(&exposure).zip(&active) {
            let missed = missed(hazard, *exposure);
            unseen.iter_mut().zip(missed).for_each(|(u, m)| *u *= m);
            each(block, *period, &unseen);
        }
    }
}

fn arrived_before(arrivals: &Arrivals, active: &[usize]) -> Vec<f64> {
    let mut last = None;
    active
        .iter()
        .map(|&t| {
            let from = last.unwrap_or(0);
            let start = if last.is_none() { arrivals.prior } else { 0.0 };
            last = Some(t);
            start + arrivals.arriving[from..t].iter().sum::<f64>()
        })
        .collect()
}

/// Periods summed together.
const CHUNK: usize = 8;

/// Length of a trap's row of means.
fn stride(periods: usize) -> usize {
    periods.next_multiple_of(CHUNK)
}

/// Fills `scratch.means` with one row per trap: mean effort in each active period.
fn means_of_traps(
    field: &Field,
    effort: &Effort,
    climate: &Climate,
    active: &[usize],
    periods: usize,
    scratch: &mut Scratch,
) {
    let stride = stride(active.len());
    scratch.means.clear();
    scratch.means.resize(field.traps.len() * stride, 0.0);
    scratch.one.clear();
    scratch.one.resize(periods, 0.0);
    for trap in 0..field.traps.len() {
        scratch.one.fill(0.0);
        let range = effort.starts[trap]..effort.starts[trap + 1];
        for (segment, row) in effort.segments[range.clone()].iter().zip(&effort.rows[range]) {
            let period = usize::from(segment.period);
            scratch.one[period] += climate.effort(segment, *row as usize) * climate.per_flight[period];
        }
        let row = &mut scratch.means[trap * stride..(trap + 1) * stride];
        for (mean, &t) in row.iter_mut().zip(active) {
            *mean = scratch.one[t];
        }
    }
}

/// Everything the inner loop reads.
struct Blocks<'a> {
    field: &'a Field,
    hazards: &'a Hazards,
    /// `[trap × active period]`, each trap's row filled up with zeros to a whole number of chunks.
    means: &'a [f64],
    /// `s N φ` of each active period.
    exposure: &'a [f64],
    /// Mass that comes before each active period, per unit of weight, by zone.
    come: &'a [Vec<f64>],
}

impl Blocks<'_> {
    /// Runs the recursion of [`evaluate`] over all cells, adding to the sums of each zone and active period.
    ///
    /// The same code is compiled twice where the processor may have wider registers. Neither version fuses multiply and
    /// add, so both give the same bits.
    fn sum(&self, escape: &mut [[f64; LANES]], mass: &mut [[f64; LANES]]) {
        #[cfg(target_arch = "x86_64")]
        if std::arch::is_x86_feature_detected!("avx2") {
            // SAFETY: the processor has just been found to have AVX2, which is all the function asks for.
            #[allow(unsafe_code)]
            return unsafe { self.sum_avx2(escape, mass) };
        }
        self.sum_here(escape, mass);
    }

    #[cfg(target_arch = "x86_64")]
    #[target_feature(enable = "avx2")]
    fn sum_avx2(&self, escape: &mut [[f64; LANES]], mass: &mut [[f64; LANES]]) {
        self.sum_here(escape, mass);
    }

    #[inline(always)]
    fn sum_here(&self, escape: &mut [[f64; LANES]], mass: &mut [[f64; LANES]]) {
        let width = self.exposure.len();
        let mut hazard = vec![[0.0; LANES]; width];
        let mut near = Vec::new();
        for (block, &zone) in self.field.block_zone.iter().enumerate() {
            self.hazards_of_block(block, &mut near, &mut hazard);
            let mut weights = [0.0; LANES];
            weights.copy_from_slice(&self.field.weights[block * LANES..(block + 1) * LANES]);
            let sums = zone * width..(zone + 1) * width;
            self.escape_block(
                &hazard,
                zone,
                &weights,
                &mut escape[sums.clone()],
                &mut mass[sums],
            );
        }
    }

    /// Fills `hazard[period][lane]` with the summed hazard of each of the block's cells.
    #[inline(always)]
    fn hazards_of_block(&self, block: usize, near: &mut Vec<(usize, f64)>, hazard: &mut [[f64; LANES]]) {
        let stride = stride(hazard.len());
        for lane in 0..LANES {
            near.clear();
            for pair in self.field.pairs_of(block * LANES + lane) {
                let Some(a) = self.hazards.at(f64::from(pair.distance_m)) else {
                    break;
                };
                near.push((pair.trap as usize * stride, a));
            }
            // A chunk of periods at a time, so that its sums stay in registers while the traps go by.
            for (chunk, rows) in hazard.chunks_mut(CHUNK).enumerate() {
                let mut sums = [0.0; CHUNK];
                for (start, a) in near.iter() {
                    let from = start + chunk * CHUNK;
                    for (sum, mean) in sums.iter_mut().zip(&self.means[from..from + CHUNK]) {
                        *sum += a * mean;
                    }
                }
                for (row, sum) in rows.iter_mut().zip(sums) {
                    row[lane] = sum;
                }
            }
        }
    }

    /// The recursion for one block of cells.
    #[inline(always)]
    fn escape_block(
        &self,
        hazard: &[[f64; LANES]],
        zone: usize,
        weights: &[f64; LANES],
        escape: &mut [[f64; LANES]],
        mass: &mut [[f64; LANES]],
    ) {
        let (mut unseen, mut present) = (*weights, [0.0; LANES]);
        let rows = hazard.iter().zip(escape.iter_mut().zip(mass.iter_mut()));
        for ((hazard, (escape, mass)), (exposure, come)) in
            rows.zip(self.exposure.iter().zip(&self.come[zone]))
        {
            let missed = missed(hazard, *exposure);
            for lane in 0..LANES {
                unseen[lane] *= missed[lane];
                present[lane] = (present[lane] + come * weights[lane]) * missed[lane];
                escape[lane] += unseen[lane];
                mass[lane] += present[lane];
            }
        }
    }
}

/// `exp(-exposure (1 - exp(-hazard)))`, lane by lane; by shorter series where all lanes are small, which most are.
#[inline(always)]
fn missed(hazard: &[f64; LANES], exposure: f64) -> [f64; LANES] {
    let most = hazard.iter().fold(0.0_f64, |a, b| a.max(*b));
    if most == 0.0 {
        return [1.0; LANES];
    }
    let mut met = [0.0; LANES];
    if most < SMALL {
        for lane in 0..LANES {
            met[lane] = exposure * one_minus_exp_neg_small(hazard[lane]);
        }
    } else if most < MIDDLING {
        for lane in 0..LANES {
            met[lane] = exposure * one_minus_exp_neg_middling(hazard[lane]);
        }
    } else {
        for lane in 0..LANES {
            met[lane] = exposure * one_minus_exp_neg(hazard[lane]);
        }
    }
    let most = most.min(1.0) * exposure;
    let mut out = [0.0; LANES];
    if most < SMALL {
        for lane in 0..LANES {
            out[lane] = exp_neg_small(met[lane]);
        }
    } else if most < MIDDLING {
        for lane in 0..LANES {
            out[lane] = 1.0 - one_minus_exp_neg_middling(met[lane]);
        }
    } else {
        for lane in 0..LANES {
            out[lane] = exp_neg(met[lane]);
        }
    }
    out
}

fn series_of_zone(
    field: &Field,
    zone: usize,
    arrivals: &Arrivals,
    active: &[usize],
    escape: &[[f64; LANES]],
    mass: &[[f64; LANES]],
) -> (Vec<f64>, Vec<f64>, Vec<f64>) {
    let (untouched, touched) = (field.untouched[zone], field.touched[zone]);
    let mut active = active.iter().zip(escape.iter().zip(mass)).peekable();
    let (mut seen, mut in_touched, mut in_untouched) =
        (0.0, touched * arrivals.prior, untouched * arrivals.prior);
    let (mut sensitivity, mut p_free, mut unseen) = (Vec::new(), Vec::new(), Vec::new());
    for (t, (free, arriving)) in arrivals.free.iter().zip(&arrivals.arriving).enumerate() {
        if let Some((_, (escape, mass))) = active.next_if(|(a, _)| **a == t) {
            seen = (touched - escape.iter().sum::<f64>()).clamp(0.0, 1.0);
            in_touched = mass.iter().sum();
        }
        sensitivity.push(seen);
        let present = in_touched + in_untouched;
        p_free.push(if *free > 0.0 { free / (free + present) } else { 0.0 });
        unseen.push(present);
        in_touched += touched * arriving;
        in_untouched += untouched * arriving;
    }
    (sensitivity, p_free, unseen)
}
