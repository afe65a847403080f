//! What people's entries come to in one pond.

use crate::diary::{Basin, Book, Crop, Feeding, LastDose};
use crate::site::PondIndex;
use crate::state::State;

/// One pond's diary in short.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DiaryView {
    /// Surface and water now.
    pub basin: Basin,
    /// The crop that is in the pond.
    pub crop: Option<Crop>,
    /// Feed of this day.
    pub feed_today: Feeding,
    /// The newest dose.
    pub last_dose: Option<LastDose>,
}

/// What is known of a pond.
pub(super) fn diary(state: &State, index: PondIndex) -> Option<DiaryView> {
    let site = state.site.as_ref()?;
    let pond = site.ponds.get(usize::from(index.0))?;
    let none = Book::default();
    let book = state.diary.book(&pond.id).unwrap_or(&none);
    Some(DiaryView {
        basin: state.basin(index, pond, state.now),
        crop: book.crop(state.now, site.longitude_deg),
        feed_today: book.feed_today(state.now, site.longitude_deg),
        last_dose: book.last_dose(),
    })
}
