//! The closed loop over an invented year, per control setting: `cargo bench --bench surplus`.
//!
//! It prints what the advice caught of the surplus that a car needing 6 A could have taken, what came
//! from the grid instead, and how often it switched. `-- --picture FILE` writes a day as SVG too;
//! `-- --days N` looks at the first N days only, `-- --every N` at each Nth; `-- --lines 'rise_s = 30; fall_s = 2'`
//! `-- --array 1.5` has an array of one and a half times the farmhouse's 7 kW; it
//! tries other lines of `[[ev]]`, once for each `--lines`.

use std::fmt::Write as _;

use panelwright::sim::charging::{Score, Trial, Year, picture};

/// A name, and the lines of `[[ev]]` that differ from the defaults.
const SETTINGS: &[(&str, &str)] = &[
    ("defaults", ""),
    ("0.1 A steps", "step_a = 0.1"),
    ("slower up (rise_s = 120)", "rise_s = 120"),
    ("slower down (fall_s = 20)", "fall_s = 20\nrise_s = 60"),
    ("spares the contactor (15 min)", "minimum_on_s = 900\nminimum_off_s = 900"),
    ("some grid (grid_share = 0.2)", "grid_share = 0.2"),
];
/// A day with sun and clouds, for the picture.
const PICTURED: u32 = 119;

#[expect(clippy::disallowed_methods, reason = "the benchmark writes the picture that its user names")]
fn main() -> anyhow::Result<()> {
    let arguments: Vec<String> = std::env::args().collect();
    let after = |name: &str| {
        let place = arguments.iter().position(|argument| argument == name)?;
        arguments.get(place + 1).cloned()
    };
    let days: u32 = after("--days").map_or(Ok(365), |text| text.parse())?;
    let array: f64 = after("--array").map_or(Ok(1.0), |text| text.parse())?;
    let year = Year::new(1, array)?;
    let every: u32 = after("--every").map_or(Ok(1), |text| text.parse())?;
    let tried = arguments.windows(2).filter(|pair| pair[0] == "--lines");
    let mut settings: Vec<(String, String)> =
        tried.map(|pair| (pair[1].clone(), pair[1].replace("; ", "\n"))).collect();
    if settings.is_empty() {
        settings = SETTINGS.iter().map(|(name, lines)| ((*name).to_owned(), (*lines).to_owned())).collect();
    }
    let trials: Vec<Trial> = settings.iter().map(|(_, lines)| Trial::new(lines)).collect::<Result<_, _>>()?;
    // Two halves of the year on two threads: the machines that this runs on have at least two cores.
    let half = |part: u32| -> anyhow::Result<Vec<Score>> {
        let mut scores = vec![Score::default(); trials.len()];
        for number in (0..days).filter(|number| number % every == 0 && number / every % 2 == part) {
            let Some(day) = year.day(number)? else { continue };
            for (trial, score) in trials.iter().zip(&mut scores) {
                score.add(&trial.live(&day, |_, _, _, _| ()));
            }
        }
        Ok(scores)
    };
    let (even, odd) = std::thread::scope(|scope| {
        let other = scope.spawn(|| half(1));
        (half(0), other.join().expect("the other half panicked"))
    });
    let (mut scores, odd) = (even?, odd?);
    scores.iter_mut().zip(&odd).for_each(|(score, other)| score.add(other));
    print!("{}", table(&settings, &scores));
    if let Some(file) = after("--picture") {
        let day = year.day(PICTURED)?.expect("a day with light");
        // Denver is six hours behind UTC at the end of April.
        let title = "Heron Lane farmhouse, an invented day at the end of April (simulated)";
        std::fs::write(file, picture(&trials[0], &day, -6 * 3600, title)?)?;
    }
    Ok(())
}

fn table(settings: &[(String, String)], scores: &[Score]) -> String {
    let mut text = String::from(
        "| setting | could have, kWh | caught | from the grid | foresight: caught | from the grid | starts a day | starts a day | most starts \
         | turns an hour | changes an hour |\n| --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: |\n",
    );
    for ((name, _), score) in settings.iter().zip(scores) {
        let hours = score.hours.max(1e-9);
        let _ = writeln!(
            text,
            "| {name} | {:.0} | {:.1} % | {:.1} % | {:.1} % | {:.1} % | {:.1} | {:.1} | {} | {:.0} | {:.0} |",
            score.could / 1000.0,
            score.share() * 100.0,
            score.grid_part() * 100.0,
            score.foreseen.caught / score.could.max(1.0) * 100.0,
            score.foreseen.from_grid
                / (score.foreseen.caught + score.foreseen.below + score.foreseen.from_grid).max(1.0)
                * 100.0,
            f64::from(score.foreseen.starts) / f64::from(score.days.max(1)),
            f64::from(score.starts) / f64::from(score.days.max(1)),
            score.most_starts,
            f64::from(score.turns) / hours,
            f64::from(score.changes) / hours,
        );
    }
    text
}
