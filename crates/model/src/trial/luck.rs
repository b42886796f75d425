//! Random streams: one for every world and purpose, so that neither threads nor plans change any luck.

use rand::SeedableRng as _;
use rand_chacha::ChaCha8Rng;

/// What a stream is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Purpose {
    /// The model's parameters.
    Beliefs,
    /// Whether, when and where it arrives.
    Arrival,
    /// How many there are, generation by generation, and where.
    Growth,
    /// Days and traps of each flyer.
    Flight,
    /// The crews' visits to one trap.
    Visits,
    /// What a calibration asks of a world.
    Question,
}

/// Mixes two numbers into one (SplitMix64's finaliser, Steele, Lea & Flood 2014).
pub(super) fn mix(a: u64, b: u64) -> u64 {
    let mut z = a ^ b
        .wrapping_mul(0x9e37_79b9_7f4a_7c15)
        .wrapping_add(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

/// The stream of a world for a purpose; `part` tells generations, or traps, apart.
pub(super) fn stream(seed: u64, world: u64, purpose: Purpose, part: u64) -> ChaCha8Rng {
    let mut rng = ChaCha8Rng::seed_from_u64(mix(seed, mix(world, purpose as u64)));
    rng.set_stream(part);
    rng
}

/// A number for a label (FNV-1a), the same on every machine.
pub(super) fn number_of(label: &str) -> u64 {
    label.bytes().fold(0xcbf2_9ce4_8422_2325, |h, b| {
        (h ^ u64::from(b)).wrapping_mul(0x0100_0000_01b3)
    })
}
