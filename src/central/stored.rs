//! The embedded store's outbox, as a central store's task uses it.

use crate::history;
use crate::reading::SiteIndex;
use crate::store;

use super::{Backlog, Mark, Outbox, Refused};

/// Until it is written with the store's next commit, a refused record is held in memory, together
/// with the cursor that passed it: a crash loses both, so the record is refused again.
impl Outbox for store::Outbox {
    fn pending(&mut self, central: &str, limit: usize) -> anyhow::Result<Vec<Mark>> {
        let marks = store::Outbox::pending(self, central, limit)?.into_iter();
        let mark = |mark: store::Mark| {
            let store::Mark { seq, site, range, corrected } = mark;
            Mark { seq, site, range, corrected }
        };
        Ok(marks.map(mark).collect())
    }

    fn advance(&mut self, central: &str, seq: u64) -> anyhow::Result<()> {
        store::Outbox::advance(self, central, seq);
        Ok(())
    }

    fn refuse(&mut self, central: &str, refused: &Refused) -> anyhow::Result<()> {
        let Refused { record, answer, at } = refused.clone();
        store::Outbox::refuse(self, store::Refused { central: central.to_owned(), record, answer, at });
        Ok(())
    }

    fn backlog(&mut self, central: &str) -> anyhow::Result<Backlog> {
        let (marks, oldest) = store::Outbox::backlog(self, central)?;
        Ok(Backlog { marks, oldest })
    }

    fn source(&mut self, site: SiteIndex) -> impl history::Source {
        store::Outbox::source(self, site)
    }
}
