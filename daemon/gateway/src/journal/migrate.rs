//! Stores of earlier formats.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;

use pondreeve_core::Timestamp;
use pondreeve_core::said::said;

use super::database::{Store, Trouble, build_store};
use super::folder::replace;
use super::keys::{key, kind};
use super::record::read_batch;
use super::seal::{Sealer, number_of};
use super::shapes::Shapes;

/// Carries a store of format 1 over: one value per commit in the tree `inputs`, keys the positions of
/// the first inputs; positions left out in a tree of their own. The new store is made beside it and takes its place when it is whole; the old one is kept.
pub(super) fn from_1(path: &Path, old: Store, now: Timestamp) -> Result<String, Trouble> {
    let mut inputs = 0;
    let mut damaged = 0;
    let making = build_store(path, |new| {
        let mut others = Vec::new();
        for seq in old.db.open_tree("left-out")?.iter().keys() {
            if let Some(seq) = number_of(&seq?) {
                others.push((key(0, kind::LEFT_OUT, 0, seq), Vec::new()));
            }
        }
        new.apply(&others)?;
        let mut sealer = Sealer::default();
        let mut shapes = Shapes::default();
        let mut outcome: Result<(), Trouble> = Ok(());
        let done = catch_unwind(AssertUnwindSafe(|| -> Result<(), Trouble> {
            for entry in &old.db.open_tree("inputs")? {
                let (position, value) = entry?;
                let Some(position) = number_of(&position) else { continue };
                let batch = read_batch(position, &value);
                damaged += batch.damaged;
                inputs += batch.inputs.len();
                sealer.batch(&batch, &mut shapes, &mut |sealed| {
                    if outcome.is_ok() {
                        outcome = new.apply(&sealed.entries).map_err(Trouble::from);
                    }
                });
            }
            Ok(())
        }));
        // What could be read before a damaged place is carried over all the same.
        damaged += u64::from(!matches!(done, Ok(Ok(()))));
        outcome?;
        new.apply(&sealer.finish(&mut shapes).entries)?;
        Ok(())
    })?;
    drop(old);
    let aside = replace(path, &making, "format-1", now)?;
    let (store, aside) = (path.display().to_string(), aside.display().to_string());
    let inputs = inputs.to_string();
    let told = match damaged {
        0 => said!(
            "trouble-store-format",
            "the store {store} was carried over from an earlier format ({inputs} inputs); the earlier one is kept as {aside} and may be deleted",
            store = store,
            inputs = inputs,
            aside = aside
        ),
        damaged => said!(
            "trouble-store-format-damaged",
            "the store {store} was carried over from an earlier format ({inputs} inputs, {damaged} damaged places skipped); the earlier one is kept as {aside} and may be deleted",
            store = store,
            inputs = inputs,
            damaged = damaged.to_string(),
            aside = aside
        ),
    };
    Ok(told.into())
}
