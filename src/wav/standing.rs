//! A direct current in a file: what a bad converter or a careless edit leaves.

/// Less than this (−50 dBFS) nobody hears begin or end.
const WORTH_IT: f32 = 0.003;

/// Where samples stand: their median, where their mean is about that, too (of a square wave it is not); 0 when it is not
/// worth a word. What is no number has no part in it.
pub fn standing(samples: &[f32]) -> f32 {
    let mut all: Vec<f32> = samples.iter().copied().filter(|x| x.is_finite()).collect();
    let middle = all.len() / 2;
    if all.is_empty() {
        return 0.0;
    }
    let mean = (all.iter().map(|x| f64::from(*x)).sum::<f64>() / all.len() as f64) as f32;
    let median = *all.select_nth_unstable_by(middle, f32::total_cmp).1;
    let agree = (mean - median).abs() <= median.abs() / 4.0;
    if agree && median.abs() >= WORTH_IT { median } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn silence_between_sounds_tells_where_a_file_stands() {
        let click = |n: usize| if n % 4_800 < 960 { (n as f32 * 0.13).sin() * 0.7 } else { 0.0 };
        let file = |stands: f32| -> Vec<f32> { (0..48_000).map(|n| click(n) + stands).collect() };
        assert_eq!((standing(&file(0.0)), standing(&file(0.0029)), standing(&[])), (0.0, 0.0, 0.0));
        assert!((standing(&file(-0.05)) + 0.05).abs() < 1e-6);
        let square: Vec<f32> = (0..4_801).map(|n| if n % 80 < 40 { 0.1 } else { -0.1 }).collect();
        assert_eq!(standing(&square), 0.0);
        assert_eq!(standing(&[f32::NAN, 0.25, 0.25, f32::INFINITY]), 0.25);
    }
}
