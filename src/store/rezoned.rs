//! Days and months of a zone that the file does not have yet.

use std::ops::Range;

use crate::calendar::Zone;
use crate::flow::Row;
use crate::site::SeriesIndex;
use crate::units::Stamp;

use super::recount::extent;
use super::rows::Table;

/// Quarter hours, by series and start, added up to rows of `table` whose start lies in `range`: for a
/// reader that meets days of another zone. A daemon adds them up for good when it starts.
pub(super) fn added_up(
    quarters: Vec<(SeriesIndex, Row)>,
    zone: &Zone,
    table: Table,
    range: &Range<Stamp>,
) -> Vec<(SeriesIndex, Row)> {
    let mut sums: Vec<(SeriesIndex, Row)> = Vec::new();
    let mut interval = Stamp(0)..Stamp(0);
    for (series, row) in quarters {
        if !interval.contains(&row.start) {
            interval = extent(zone, table, row.start);
        }
        if !range.contains(&interval.start) {
            continue;
        }
        match sums.last_mut() {
            Some((other, sum)) if *other == series && sum.start == interval.start => sum.absorb(&row),
            _ => {
                let mut sum = Row::empty(interval.start);
                sum.absorb(&row);
                sums.push((series, sum));
            }
        }
    }
    sums
}
