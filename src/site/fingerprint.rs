//! Fingerprints of split rules and figures: which map a stored series was made from, and which one a
//! told figure.

use super::model::{ChannelIndex, Epoch, Figure, FigureKey, Leg, Part, Site, SplitRule, Term};

/// A stable hash of how split number `split` follows from the channels in `epoch`: the same for the
/// same sums, whatever else of the map changed, in whatever order it is written.
///
/// It covers channel names, parts and factors. A split that the epoch does not have gives the hash of
/// nothing. FNV-1a with 64 bits, written out because stored marks have to outlive any library.
pub fn fingerprint(site: &Site, epoch: &Epoch, split: usize) -> u64 {
    let rule = epoch.plan.splits.iter().find(|(index, _)| *index == split).map(|(_, rule)| rule);
    let text = match rule {
        None => String::new(),
        Some(SplitRule::Counted { power, counter, export }) => {
            let name = |channel: &ChannelIndex| site.channels[channel.0 as usize].name.as_str();
            let counters = [Some(counter), export.as_ref()].into_iter().flatten().map(name);
            format!("counted {}\t{}", name(power), counters.collect::<Vec<_>>().join("\t"))
        }
        Some(SplitRule::Signed(terms)) => {
            format!("signed {}{}", sum(site, terms), exporting(site, epoch, terms.iter()))
        }
        Some(SplitRule::SelfConsumed { grid, pv }) => {
            let exports = exporting(site, epoch, grid.iter().chain(pv.iter().flatten()));
            let mut pv: Vec<String> = pv.iter().map(|terms| sum(site, terms)).collect();
            pv.sort_unstable();
            format!("self-consumed {} of {}{exports}", sum(site, grid), pv.join(" and "))
        }
    };
    hash_of(text.as_bytes())
}

/// The counted CTs among the terms that have a counter of export too: the name of their series does not say
/// so. Nothing where there is none.
fn exporting<'t>(site: &Site, epoch: &Epoch, terms: impl Iterator<Item = &'t Term>) -> String {
    let exports = terms.filter_map(|term| {
        let split = (term.series.0 as usize).checked_sub(site.channels.len())?;
        match epoch.plan.splits.iter().find(|(index, _)| *index == split)?.1 {
            SplitRule::Counted { export: Some(export), .. } => {
                Some(format!("{}\t", site.channels[export.0 as usize].name))
            }
            _ => None,
        }
    });
    let mut exports: Vec<String> = exports.collect();
    exports.sort_unstable();
    exports.dedup();
    exports.concat()
}

/// A stable hash of how a figure follows from the channels in `epoch`, through the splits that it
/// takes: the same for the same sums, whatever else of the map changed. Never 0.
pub fn figure_fingerprint(site: &Site, epoch: &Epoch, figure: &Figure) -> u64 {
    let splits = figure.terms.iter().filter_map(|term| {
        let split = (term.series.0 as usize).checked_sub(site.channels.len())?;
        Some(format!("{}={:x}\t", site.splits[split], fingerprint(site, epoch, split)))
    });
    let mut splits: Vec<String> = splits.collect();
    splits.sort_unstable();
    let text = format!("figure {}of {}", sum(site, &figure.terms), splits.concat());
    hash_of(text.as_bytes()).max(1)
}

/// The name of a figure that outlives the map's own numbering: `site/import`, `circuit/well-pump`,
/// `bus/main/feed`. `None` for what exists live only.
pub fn figure_name(site: &Site, key: FigureKey) -> Option<String> {
    let of_site = |what: &str| Some(format!("site/{what}"));
    let of_bus = |bus: usize, what: &str| Some(format!("bus/{}/{what}", site.buses.get(bus)?.id));
    match key {
        FigureKey::Grid => of_site("grid"),
        FigureKey::Import => of_site("import"),
        FigureKey::Export => of_site("export"),
        FigureKey::Generation => of_site("generation"),
        FigureKey::Consumption => of_site("consumption"),
        FigureKey::Tracked => of_site("tracked"),
        FigureKey::Untracked => of_site("untracked"),
        FigureKey::SelfConsumed => of_site("self-consumed"),
        FigureKey::Storage => of_site("storage"),
        FigureKey::Surplus => None,
        FigureKey::Circuit(circuit) => Some(format!("circuit/{}", site.circuits.get(circuit)?.id)),
        FigureKey::BusFeed(bus) => of_bus(bus, "feed"),
        FigureKey::BusUntracked(bus) => of_bus(bus, "untracked"),
        FigureKey::MainsLeg(Leg::A) => of_site("leg-a"),
        FigureKey::MainsLeg(Leg::B) => of_site("leg-b"),
        FigureKey::MainsLeg(Leg::C) => of_site("leg-c"),
    }
}

fn sum(site: &Site, terms: &[Term]) -> String {
    let mut parts: Vec<String> = terms
        .iter()
        .map(|term| {
            let part = match term.part {
                Part::Net => "net",
                Part::In => "in",
                Part::Out => "out",
            };
            // A channel's name has no control character, so the tab keeps terms apart.
            format!("{}\t{part}\t{}\t", site.series_name(term.series), term.millionths)
        })
        .collect();
    parts.sort_unstable();
    parts.concat()
}

/// A stable hash of bytes: FNV-1a, 64 bits.
pub fn hash_of(bytes: &[u8]) -> u64 {
    bytes.iter().fold(0xcbf2_9ce4_8422_2325, |hash, byte| {
        (hash ^ u64::from(*byte)).wrapping_mul(0x0000_0100_0000_01b3)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: the test vectors of draft-eastlake-fnv (FNV-1a, 64 bits), from memory.
    #[test]
    fn fnv_1a_gives_the_published_values() {
        assert_eq!(hash_of(b""), 0xcbf2_9ce4_8422_2325);
        assert_eq!(hash_of(b"a"), 0xaf63_dc4c_8601_ec8c);
        assert_eq!(hash_of(b"foobar"), 0x8594_4171_f739_67e8);
    }
}
