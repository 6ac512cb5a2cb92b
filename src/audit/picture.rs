//! A small picture: the steps of a channel beside what the feed did at the same moments.

use crate::site::Leg;

/// How many moments a picture has: as many as one sees at a glance.
pub const MOMENTS: usize = 16;
const BARS: [char; 8] = ['▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];

/// Bars of one kind of moment, in W, row by row.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Picture {
    /// The channel by the map: positive as the map has it.
    pub channel: Vec<f32>,
    /// The feed, leg by leg; `None` is the feed as a whole.
    pub feed: Vec<(Option<Leg>, Vec<f32>)>,
}

impl Picture {
    /// Whether there is nothing to show.
    pub fn is_empty(&self) -> bool {
        self.channel.is_empty()
    }

    fn top(&self) -> f32 {
        let all = self.channel.iter().chain(self.feed.iter().flat_map(|(_, bars)| bars));
        all.fold(1.0_f32, |top, x| top.max(x.abs()))
    }

    /// Lines of text, one for the channel and one a leg: `channel ▇▁▆▁`.
    pub fn text(&self) -> Vec<(String, String)> {
        if self.is_empty() {
            return Vec::new();
        }
        let top = self.top();
        let bars = |values: &[f32]| -> String {
            values.iter().map(|x| BARS[(((x / top + 1.0) * 3.5).round() as usize).min(7)]).collect()
        };
        let mut lines = vec![("channel".to_owned(), bars(&self.channel))];
        for (leg, values) in &self.feed {
            lines.push((leg.map_or("feed".to_owned(), |leg| format!("leg {leg}")), bars(values)));
        }
        lines
    }

    /// Path data of SVG, one path a line, each in a box of 100 by 24 with zero in the middle.
    pub fn paths(&self) -> Vec<(String, String)> {
        if self.is_empty() {
            return Vec::new();
        }
        let top = self.top();
        let path = |values: &[f32]| -> String {
            let step = 100.0 / values.len().max(1) as f32;
            values
                .iter()
                .enumerate()
                .map(|(n, x)| {
                    let left = n as f32 * step;
                    format!("M{:.1} 12V{:.1}h{:.1}V12", left, 12.0 - 11.0 * x / top, 0.8 * step)
                })
                .collect()
        };
        let mut paths = vec![("channel".to_owned(), path(&self.channel))];
        for (leg, values) in &self.feed {
            paths.push((leg.map_or("feed".to_owned(), |leg| format!("leg {leg}")), path(values)));
        }
        paths
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bars_stand_for_watts_with_zero_in_the_middle() {
        let picture = Picture {
            channel: vec![100.0, -100.0],
            feed: vec![(Some(Leg::A), vec![-100.0, 100.0]), (None, vec![0.0, 50.0])],
        };
        let text: Vec<String> =
            picture.text().into_iter().map(|(name, bars)| format!("{name} {bars}")).collect();
        assert_eq!(text, ["channel █▁", "leg A ▁█", "feed ▅▆"]);
        assert_eq!(picture.paths()[0].1, "M0.0 12V1.0h40.0V12M50.0 12V23.0h40.0V12");
        assert!(Picture::default().text().is_empty() && Picture::default().paths().is_empty());
    }
}
