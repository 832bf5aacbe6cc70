//! The set-up sheet as people and programs get it: a page, a text, a file.

mod drawing;
mod file;
mod form;
mod of_log;
mod page;
mod pictures;
mod text;

pub use self::drawing::PlanView;
pub use self::file::{KeptLook, SheetFault, SheetFile};
pub use self::of_log::{LogSheet, notes, of_log};
pub use self::page::{Read, page};
pub use self::pictures::PicturesOfLooks;
pub use self::text::text;
