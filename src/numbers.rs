//! The numbers by which a log tells its records and its frames apart.
//!
//! They are names and no amounts: two of them are not added, and nobody takes one for the other, for a count, a ticket or
//! a length.

use std::fmt;

use serde::{Deserialize, Serialize};

/// What the numbers have in common.
macro_rules! number {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        ///
        /// Nought, the default, stands before the first.
        #[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
        #[serde(transparent)]
        pub struct $name(u64);

        impl $name {
            pub const fn new(number: u64) -> $name {
                $name(number)
            }

            pub const fn get(self) -> u64 {
                self.0
            }

            /// The one after it.
            pub const fn next(self) -> $name {
                $name(self.0 + 1)
            }

            /// How far it is behind an earlier one; nought behind itself and later ones.
            pub const fn since(self, earlier: $name) -> u64 {
                self.0.saturating_sub(earlier.0)
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                self.0.fmt(f)
            }
        }
    };
}

number! {
    /// Number of a frame in a log, from 1.
    FrameNumber
}

number! {
    /// Number of a record in a log, from 1.
    RecordNumber
}

number! {
    /// Number of a sitting in a log, from 1.
    SittingNumber
}

impl SittingNumber {
    pub const FIRST: SittingNumber = SittingNumber(1);

    /// The one before it; nought before the first.
    pub const fn before(self) -> SittingNumber {
        SittingNumber(self.0.saturating_sub(1))
    }
}

impl RecordNumber {
    pub const FIRST: RecordNumber = RecordNumber(1);

    /// The one so many before it; nought where that would lie before the first.
    pub const fn back(self, count: u64) -> RecordNumber {
        RecordNumber(self.0.saturating_sub(count))
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn they_are_written_and_read_as_bare_numbers(number: u64) {
            let record = RecordNumber::new(number);
            prop_assert_eq!(serde_json::to_string(&record).unwrap(), number.to_string());
            prop_assert_eq!(serde_json::from_str::<RecordNumber>(&number.to_string()).unwrap(), record);
            prop_assert_eq!(record.to_string(), number.to_string());
        }

        #[test]
        fn going_back_and_the_distance_are_one(number in 0..u64::MAX, count: u64) {
            let (record, after) = (RecordNumber::new(number), RecordNumber::new(number).next());
            prop_assert_eq!((after.since(record), record.since(after), after.back(1)), (1, 0, record));
            prop_assert_eq!(record.since(record.back(count)), count.min(number));
        }
    }
}
