//! Where the dial of each group stands, and how that is known: the one place for it.
//!
//! A dial is followed on a scale of its own, in stops. Its zero is where the dial stood when it was first met; where
//! full power lies on the scale is known from the moment somebody tells a power. So a light of which nobody ever told
//! the power is followed as well as any other, and a power that is told late tells the powers of before, too: nothing
//! that was marked on the scale has to be worked out anew.

use serde::{Deserialize, Serialize};

use super::group_name::GroupName;
use crate::numbers::RecordNumber;
use crate::photometry::{PowerSetting, Stops};

/// How it is known where a dial stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Known {
    /// Nobody told, and no picture has.
    #[default]
    Unknown,
    /// The configuration says so.
    Configured,
    /// Somebody said so.
    Told,
    /// A suggested turn that a frame shows.
    SeenAsAsked,
    /// Read out of a frame for this group by itself, by the light survey.
    ReadBySurvey,
    /// Worked out from a frame: all groups taken to have moved alike.
    Deduced,
}

/// The position of one group's dial.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Position {
    pub group: GroupName,
    /// On the dial's own scale; brighter is more.
    pub at: Stops,
    /// Where full power lies on that scale; `None` as long as nobody has told a power.
    full: Option<Stops>,
    pub known: Known,
    /// What the end of its range leaves over, where that was confirmed: nobody need be asked for it again.
    pub short_by: Option<Stops>,
    /// What it was before each word on it since the last frame, the latest last.
    earlier: Vec<Earlier>,
    /// What all words on it since the last frame come to, once they can't be taken back.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    word: Option<Word>,
}

/// What somebody told of a position.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Word {
    /// How far it is now from where it was known to be before.
    turn: Stops,
    /// The first word carried out what the open correction asked.
    confirmed: bool,
    /// Where it had been was read out of a frame.
    was_read: bool,
}

/// A position as it was before somebody told another.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Earlier {
    /// The record that told the other.
    record: RecordNumber,
    at: Stops,
    full: Option<Stops>,
    known: Known,
    short_by: Option<Stops>,
    /// That record also carried out what the open correction asked.
    confirmed: bool,
}

/// What the end of a range leaves over is the same as when it was confirmed.
const SAME_SHORTFALL: Stops = Stops(0.1);
/// Places on a scale are rounded to a ten-thousandth of a stop.
const SAME_PLACE: Stops = Stops(0.0005);
/// So many words on one group between two frames can be taken back.
const MOST_EARLIER: usize = 16;

impl Position {
    /// A group that is met for the first time.
    pub fn first(group: GroupName, power: Option<PowerSetting>) -> Position {
        let known = if power.is_some() { Known::Configured } else { Known::Unknown };
        let full = power.map(|p| (-p.below_full()).rounded());
        Position { group, at: Stops::ZERO, full, known, short_by: None, earlier: Vec::new(), word: None }
    }

    /// The power that it is set to; `None` when nobody has told one.
    pub fn power(&self) -> Option<PowerSetting> {
        self.power_at(self.at)
    }

    /// The power at a mark on the scale.
    pub fn power_at(&self, mark: Stops) -> Option<PowerSetting> {
        self.full.map(|full| PowerSetting::from_full((mark - full).rounded()))
    }

    /// Where on the scale it stands at a power; `None` as long as nobody has told one.
    pub fn mark_of(&self, power: PowerSetting) -> Option<Stops> {
        self.full.map(|full| (full + power.below_full()).rounded())
    }

    /// How it is, or was, known that it stood at this place of its scale; `None` where that isn't kept.
    pub fn known_at(&self, mark: Stops) -> Option<Known> {
        let places = self.earlier.iter().map(|earlier| (earlier.at, earlier.known)).chain([(self.at, self.known)]);
        let mut places = places.filter(|(at, _)| (*at - mark).abs() < SAME_PLACE).map(|(_, known)| known);
        places.next_back()
    }

    /// It was turned by this.
    pub fn turn(&mut self, by: Stops, known: Known) {
        self.place((self.at + by).rounded(), known);
    }

    /// It is at this place of its scale.
    pub fn place(&mut self, at: Stops, known: Known) {
        (self.at, self.known, self.short_by) = (at.rounded(), known, None);
    }

    /// It is at this power. The first word on a power tells where the light stands, not that it was turned.
    pub fn set(&mut self, power: PowerSetting, known: Known) {
        match self.full {
            Some(full) => self.place(full + power.below_full(), known),
            None => {
                self.full = Some((self.at - power.below_full()).rounded());
                self.known = known;
            }
        }
    }

    /// What somebody told of it after the last frame comes to; nought where that was what was known.
    pub fn told_turn(&self) -> Option<Stops> {
        self.word.map(|word| word.turn)
    }

    /// Where it was for the last frame, before anybody told otherwise.
    pub fn at_last_frame(&self) -> Stops {
        let before_now = self.earlier.first().map_or(self.at, |earlier| earlier.at);
        (before_now - self.told_turn().unwrap_or(Stops::ZERO)).rounded()
    }

    /// The turn that somebody told after the last frame to have been carried out as asked.
    pub fn confirmed_turn(&self) -> Option<Stops> {
        self.word.filter(|word| word.confirmed).map(|word| word.turn)
    }

    /// How far it would stand from where somebody told, after the last frame, were it where that frame had been read to have it;
    /// `None` where nobody told, or the word was that it is turned as was asked.
    pub fn denied(&self) -> Option<Stops> {
        self.word.filter(|word| !word.confirmed && word.was_read).map(|word| -word.turn)
    }

    /// The end of its range leaves this over, and that was confirmed.
    pub fn is_known_to_be_short_by(&self, remainder: Stops) -> bool {
        self.short_by.is_some_and(|short| (short - remainder).abs() <= SAME_SHORTFALL)
    }

    /// Keeps what it is now, as record `record` is about to tell something else of it.
    pub fn remember(&mut self, record: RecordNumber, confirmed: bool) {
        let Position { at, full, known, short_by, .. } = *self;
        if self.earlier.len() == MOST_EARLIER {
            self.earlier.remove(0);
        }
        self.earlier.push(Earlier { record, at, full, known, short_by, confirmed });
    }

    /// The record that told where it is, as long as that can be taken back.
    pub fn told_by(&self) -> Option<RecordNumber> {
        self.earlier.last().map(|e| e.record)
    }

    /// It stands as it did before record `record` told otherwise. Gives whether that record carried out a correction;
    /// `None` when it isn't the last that told.
    pub fn undo(&mut self, record: RecordNumber) -> Option<bool> {
        let Earlier { at, full, known, short_by, confirmed, .. } =
            self.earlier.pop_if(|earlier| earlier.record == record)?;
        (self.at, self.full, self.known, self.short_by) = (at, full, known, short_by);
        Some(confirmed)
    }

    /// Nothing can be taken back any more. What it came to is known until a frame was judged by it.
    pub fn settle(&mut self) {
        if let Some(first) = self.earlier.first() {
            let turn = (self.at - first.at).rounded();
            let first = Word { turn, confirmed: first.confirmed, was_read: first.known == Known::ReadBySurvey };
            // What was told before something else was asked still holds.
            self.word = Some(self.word.map_or(first, |word| Word { turn: (word.turn + turn).rounded(), ..word }));
        }
        self.earlier.clear();
    }

    /// A frame was judged by what was told until now.
    pub fn judged_by(&mut self) {
        self.word = None;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn power(below_full: f64) -> PowerSetting {
        PowerSetting::from_full(Stops(below_full))
    }

    #[test]
    fn a_power_that_is_told_late_tells_the_powers_of_before() {
        let mut rim = Position::first("rim".into(), None);
        let reference = rim.at;
        rim.turn(Stops(-1.0), Known::Deduced);
        assert_eq!(rim.power(), None);
        rim.set(power(-4.0), Known::Told);
        assert_eq!((rim.power(), rim.power_at(reference)), (Some(power(-4.0)), Some(power(-3.0))));
        assert_eq!(rim.at - reference, Stops(-1.0), "no turn");
        rim.set(power(-2.0), Known::Told);
        assert_eq!(rim.at - reference, Stops(1.0));
    }

    proptest! {
        /// Telling and undoing is the identity, however often and in whatever order.
        #[test]
        fn undoing_all_is_as_if_nothing_had_been_told(
            configured in prop::option::of(-9_i32..1),
            told in prop::collection::vec((-27_i32..1, any::<bool>()), 1..MOST_EARLIER),
        ) {
            let first = Position::first("key".into(), configured.map(|p| power(f64::from(p))));
            let mut position = first.clone();
            for (record, (thirds, turned)) in (1..).map(RecordNumber::new).zip(&told) {
                position.remember(record, *turned);
                let stops = Stops(f64::from(*thirds) / 3.0);
                if *turned { position.turn(stops, Known::Told) } else { position.set(PowerSetting::from_full(stops), Known::Told) }
            }
            prop_assert_eq!(position.undo(RecordNumber::new(99)), None, "only the last word can be taken back");
            for (at, (_, confirmed)) in told.iter().enumerate().rev() {
                let record = RecordNumber::new(at as u64 + 1);
                prop_assert_eq!(position.told_by(), Some(record));
                prop_assert_eq!(position.undo(record), Some(*confirmed));
            }
            prop_assert_eq!(position, first);
        }
    }
}
