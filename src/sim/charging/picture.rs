//! A picture of a simulated day, as SVG.

use std::fmt::Write as _;

use anyhow::Result;

use super::{DaylightDay, Trial};

const WIDTH: f64 = 900.0;
const HEIGHT: f64 = 360.0;
const LEFT: f64 = 56.0;
const TOP: f64 = 46.0;
const BOTTOM: f64 = 40.0;
const RIGHT: f64 = 16.0;
/// Seconds for each point of a curve.
const STEP: usize = 30;

/// A day as the closed loop lived it: what the roof left over, and what the car took.
///
/// # Errors
/// None that the formatting of text does not have.
pub fn picture(trial: &Trial, day: &DaylightDay, offset_s: i64, title: &str) -> Result<String> {
    let mut spare = vec![0.0_f64; day.spare_w.len() / STEP + 1];
    let mut taken = spare.clone();
    let score = trial.live(day, |second, watts, _, car| {
        spare[second / STEP] += watts.max(0.0) / STEP as f64;
        taken[second / STEP] += car / STEP as f64;
    });
    let points = day.spare_w.len() / STEP;
    let highest = spare[..points].iter().chain(&taken[..points]).copied().fold(1000.0, f64::max);
    let top_w = (highest / 1000.0).ceil() * 1000.0;
    let x = |point: usize| LEFT + (WIDTH - LEFT - RIGHT) * point as f64 / points.max(1) as f64;
    let y = |watts: f64| HEIGHT - BOTTOM - (HEIGHT - TOP - BOTTOM) * watts / top_w;
    let area = |values: &[f64]| -> String {
        let mut path = format!("M{:.1} {:.1}", x(0), y(0.0));
        for (point, watts) in values[..points].iter().enumerate() {
            let _ = write!(path, "L{:.1} {:.1}", x(point), y(*watts));
        }
        let _ = write!(path, "L{:.1} {:.1}Z", x(points.saturating_sub(1)), y(0.0));
        path
    };
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {HEIGHT}\" role=\"img\" \
         font-family=\"sans-serif\" font-size=\"12\" fill=\"#333\">\n<title>{title}</title>\n\
         <rect width=\"{WIDTH}\" height=\"{HEIGHT}\" fill=\"#fff\"/>\n"
    );
    writeln!(svg, "<text x=\"{LEFT}\" y=\"18\" font-size=\"14\">{title}</text>")?;
    writeln!(
        svg,
        "<text x=\"{LEFT}\" y=\"36\"><tspan fill=\"#b8860b\">■</tspan> left over by roof and house  \
         <tspan fill=\"#1f6f8b\">■</tspan> taken by the car: {:.0} % of what it could have taken, {:.1} % of it from \
         the grid, {} starts</text>",
        score.share() * 100.0,
        score.grid_part() * 100.0,
        score.starts
    )?;
    for thousand in 0..=(top_w / 1000.0) as u32 {
        let line = y(f64::from(thousand) * 1000.0);
        writeln!(
            svg,
            "<path d=\"M{LEFT} {line:.1}H{:.1}\" stroke=\"#ddd\"/><text x=\"{:.1}\" y=\"{:.1}\" \
             text-anchor=\"end\">{thousand} kW</text>",
            WIDTH - RIGHT,
            LEFT - 6.0,
            line + 4.0
        )?;
    }
    writeln!(svg, "<path d=\"{}\" fill=\"#f2c14e\" fill-opacity=\"0.75\"/>", area(&spare))?;
    writeln!(svg, "<path d=\"{}\" fill=\"#1f6f8b\" fill-opacity=\"0.6\"/>", area(&taken))?;
    for second in (0..day.spare_w.len()).filter(|second| (day.start + offset_s + *second as i64) % 3600 == 0)
    {
        let hour = (day.start + offset_s + second as i64).rem_euclid(86_400) / 3600;
        let at = x(second / STEP);
        writeln!(
            svg,
            "<text x=\"{at:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{hour}:00</text>",
            HEIGHT - BOTTOM + 18.0
        )?;
    }
    svg.push_str("</svg>\n");
    Ok(svg)
}
