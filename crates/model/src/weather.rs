//! (being written)
use jiff::civil::Date;
/// One day's extremes of air temperature.
#[derive(Debug, Clone, Copy, PartialEq)]
#[allow(missing_docs)]
pub struct DailyTemp {
    pub date: Date,
    pub tmin_c: f64,
    pub tmax_c: f64,
}
