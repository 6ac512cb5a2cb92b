//! Load steps: written by the one writer, read by circuit.

use rusqlite::{Connection, params};

use crate::reading::SiteIndex;
use crate::units::{Stamp, TENTHS};
use crate::verify::{Kind, Mend, Proof, Verdict};

use super::Result;
use super::catalog::NO_ROW;
use super::reader::Reader;

/// Proofs of one circuit that are kept, the oldest go: enough to see when it was right and when not.
const KEPT: i64 = 50;
/// Circuits with a proof that one question is answered with; a site of more circuits than this has no
/// map that loads.
const AT_ONCE: i64 = 10_000;

impl Reader {
    /// The newest proof of each circuit of a site, by circuit.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn proofs(&self, site: SiteIndex) -> Result<Vec<Proof>> {
        let Some(row) = self.shared().catalog().entry(site).map(|entry| entry.row) else {
            return Ok(Vec::new());
        };
        self.shared().read(|db| newest(db, row))
    }
}

fn newest(db: &Connection, site: i64) -> Result<Vec<Proof>> {
    let mut select = db.prepare_cached(
        "SELECT circuit, at_s, kind, what, moved, switchings, line, write, next, basis FROM proof
         WHERE id IN (SELECT max(id) FROM proof WHERE site = ?1 GROUP BY circuit)
         ORDER BY circuit LIMIT ?2",
    )?;
    let rows = select.query_map(params![site, AT_ONCE], proof)?;
    // A kind that a later version of this program knows is passed over.
    Ok(rows.collect::<rusqlite::Result<Vec<_>>>()?.into_iter().flatten().collect())
}

fn proof(row: &rusqlite::Row<'_>) -> rusqlite::Result<Option<Proof>> {
    let Some(kind) = Kind::parse(&row.get::<_, String>(2)?) else { return Ok(None) };
    let moved: String = row.get(4)?;
    let line: Option<i64> = row.get(6)?;
    let write: Option<String> = row.get(7)?;
    let mend = line.zip(write).map(|(line, write)| Mend { line: line as usize, write });
    let verdict = Verdict {
        circuit: row.get(0)?,
        kind,
        what: row.get::<_, String>(3)?.into(),
        // What is shown beside the verdict: without it the verdict stands all the same.
        moved: serde_json::from_str(&moved).unwrap_or_default(),
        switchings: row.get::<_, i64>(5)? as usize,
        mend,
        next: row.get(8)?,
    };
    Ok(Some(Proof { at: Stamp(row.get::<_, i64>(1)? * TENTHS), verdict, basis: row.get(9)? }))
}

/// Keeps a proof of the site with that row. Whether it could be: a site that the store does not know yet
/// has no place for it.
pub(super) fn keep(db: &mut Connection, site: i64, proof: &Proof) -> Result<bool> {
    if site == NO_ROW {
        return Ok(false);
    }
    let verdict = &proof.verdict;
    // Names and numbers: there is nothing in them that JSON cannot hold.
    let moved = serde_json::to_string(&verdict.moved).unwrap_or_default();
    let tx = db.transaction()?;
    tx.execute(
        "INSERT INTO proof (site, circuit, at_s, kind, what, moved, switchings, line, write, next, basis)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)",
        params![
            site,
            verdict.circuit,
            proof.at.seconds(),
            verdict.kind.as_str(),
            &*verdict.what,
            moved,
            verdict.switchings as i64,
            verdict.mend.as_ref().map(|mend| mend.line as i64),
            verdict.mend.as_ref().map(|mend| &mend.write),
            verdict.next,
            proof.basis,
        ],
    )?;
    tx.execute(
        "DELETE FROM proof WHERE site = ?1 AND circuit = ?2 AND id <=
         (SELECT id FROM proof WHERE site = ?1 AND circuit = ?2 ORDER BY id DESC LIMIT 1 OFFSET ?3)",
        params![site, verdict.circuit, KEPT],
    )?;
    tx.commit()?;
    Ok(true)
}

#[cfg(test)]
mod tests {
    use super::super::{FILE_NAME, schema};
    use super::*;

    fn made(circuit: &str, second: i64, kind: Kind) -> Proof {
        let verdict = Verdict {
            circuit: circuit.into(),
            kind,
            what: "its CTs moved by 1500 W, leg A by 1498 W".into(),
            moved: vec![("house/3".into(), 1500.0), ("leg A".into(), 1498.2)],
            switchings: 4,
            mend: (kind == Kind::Reversed).then(|| Mend { line: 7, write: "reversed = true".into() }),
            next: "nothing".into(),
        };
        Proof { at: Stamp::from_seconds(second), verdict, basis: "bus main".into() }
    }

    #[test]
    fn the_newest_of_each_circuit_is_read_back_and_old_ones_go() {
        let directory = tempfile::tempdir().expect("a directory");
        let mut db = schema::open(&directory.path().join(FILE_NAME)).expect("it opens");
        for second in 0..KEPT + 5 {
            assert!(keep(&mut db, 1, &made("dryer", second, Kind::Reversed)).expect("kept"));
        }
        assert!(keep(&mut db, 1, &made("range", 3, Kind::AsMapped)).expect("kept"));
        assert!(keep(&mut db, 2, &made("dryer", 900, Kind::AsMapped)).expect("kept"));
        assert!(!keep(&mut db, NO_ROW, &made("dryer", 1, Kind::AsMapped)).expect("no place"));
        let count = |site: i64| -> i64 {
            let select = "SELECT count(*) FROM proof WHERE site = ?1";
            db.query_row(select, [site], |row| row.get(0)).expect("a count")
        };
        assert_eq!((count(1), count(2)), (KEPT + 1, 1));
        let found = newest(&db, 1).expect("proofs");
        assert_eq!(found, [made("dryer", KEPT + 4, Kind::Reversed), made("range", 3, Kind::AsMapped)]);
    }
}
