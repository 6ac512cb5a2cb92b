//! Marks of split rules: which map a stored split series was made from.

use super::model::{ChannelIndex, Epoch, Part, Site, SplitRule, Term};

/// A stable hash of how split number `split` follows from the channels in `epoch`: the same for the
/// same sums, whatever else of the map changed, in whatever order it is written.
///
/// It covers channel names, parts and factors. A split that the epoch does not have gives the hash of
/// nothing. FNV-1a with 64 bits, written out because stored marks have to outlive any library.
pub fn fingerprint(site: &Site, epoch: &Epoch, split: usize) -> u64 {
    let rule = epoch.plan.splits.iter().find(|(index, _)| *index == split).map(|(_, rule)| rule);
    let text = match rule {
        None => String::new(),
        Some(SplitRule::Counted { power, counter }) => {
            let name = |channel: &ChannelIndex| &site.channels[channel.0 as usize].name;
            format!("counted {}\t{}", name(power), name(counter))
        }
        Some(SplitRule::Signed(terms)) => format!("signed {}", sum(site, terms)),
        Some(SplitRule::SelfConsumed { grid, pv }) => {
            let mut pv: Vec<String> = pv.iter().map(|terms| sum(site, terms)).collect();
            pv.sort_unstable();
            format!("self-consumed {} of {}", sum(site, grid), pv.join(" and "))
        }
    };
    fnv_1a(text.as_bytes())
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

/// FNV-1a, 64 bits.
fn fnv_1a(bytes: &[u8]) -> u64 {
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
        assert_eq!(fnv_1a(b""), 0xcbf2_9ce4_8422_2325);
        assert_eq!(fnv_1a(b"a"), 0xaf63_dc4c_8601_ec8c);
        assert_eq!(fnv_1a(b"foobar"), 0x8594_4171_f739_67e8);
    }
}
