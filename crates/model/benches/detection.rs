//! The detection surface by number of cells, form and way of gathering. `cargo bench -p earlywood-model --bench detection`
//!
//! Items a second are cells times traps within the cut-off; peers stand in `bench/detection`.

use divan::counter::ItemsCount;
use divan::{Bencher, black_box};
use earlywood_model::capture::{Capture, Form};
use earlywood_model::detection::{Cutoff, Grid, Point, Surface, SurfaceTrap};

const CUTOFF: Cutoff = Cutoff::ShareOfPeak(1e-6);
const FORMS: [Form; 4] = [Form::Sech, Form::Exponential, Form::HalfNormal, Form::Disc];

fn main() {
    divan::main();
}

fn grid(side: usize) -> Grid {
    Grid {
        first: Point { x_m: 25.0, y_m: 25.0 },
        spacing_m: 50.0,
        cols: side,
        rows: side,
    }
}

/// One trap to 200 cells, spread by an irrational turn; reaches 50 to 200 m.
fn traps(side: usize, form: Form, same_exposure: bool) -> Vec<SurfaceTrap> {
    let extent_m = side as f64 * 50.0;
    (0..side * side / 200)
        .map(|i| {
            let t = i as f64;
            let at = Point {
                x_m: (t * 0.754_877_666).fract() * extent_m,
                y_m: (t * 0.569_840_296).fract() * extent_m,
            };
            let capture = Capture::new(form, 50.0 + 150.0 * (t * 0.618_034).fract(), 0.3).expect("in range");
            let exposure = if same_exposure {
                14.0
            } else {
                1.0 + (t * 0.414_214).fract()
            };
            SurfaceTrap::new(at, capture, exposure).expect("in range")
        })
        .collect()
}

fn on_one_thread(bencher: Bencher, surface: &Surface, traps: &[SurfaceTrap]) {
    let pairs = surface.coverage(traps, CUTOFF).cell.len();
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(1)
        .build()
        .expect("a pool of one");
    bencher
        .counter(ItemsCount::new(pairs))
        .bench(|| pool.install(|| surface.probabilities(black_box(traps), CUTOFF)));
}

#[divan::bench(args = FORMS)]
fn same_exposure(bencher: Bencher, form: Form) {
    let surface = Surface::over_grid(&grid(300)).expect("a grid");
    on_one_thread(bencher, &surface, &traps(300, form, true));
}

#[divan::bench(args = FORMS)]
fn any_exposure(bencher: Bencher, form: Form) {
    let surface = Surface::over_grid(&grid(300)).expect("a grid");
    on_one_thread(bencher, &surface, &traps(300, form, false));
}

#[divan::bench(args = [100, 300, 1000])]
fn layout_of_points(bencher: Bencher, side: usize) {
    let grid = grid(side);
    let points: Vec<Point> = (0..side)
        .flat_map(|r| (0..side).map(move |c| grid.point(c, r)))
        .collect();
    bencher
        .counter(ItemsCount::new(points.len()))
        .bench(|| Surface::over_points(black_box(&points)));
}

#[divan::bench(args = [100, 300])]
fn coverage(bencher: Bencher, side: usize) {
    let surface = Surface::over_grid(&grid(side)).expect("a grid");
    let traps = traps(side, Form::Sech, true);
    let pairs = surface.coverage(&traps, CUTOFF).cell.len();
    bencher
        .counter(ItemsCount::new(pairs))
        .bench(|| surface.coverage(black_box(&traps), CUTOFF));
}
