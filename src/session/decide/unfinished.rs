//! What a program left undone that was killed between the records of a decision on a frame: the next start makes up for it, by the
//! ways that the decision went. Each of them stages nothing where its records are in the log. Not made up for: a survey's step, and
//! a warning.

use super::Draft;
use crate::numbers::FrameNumber;
use crate::session::exposures::Exposure;
use crate::session::judgement::Occasion;
use crate::session::record::Body;
use crate::session::sitting::ToJudge;

impl Draft<'_> {
    pub(super) fn finish_what_was_begun(&mut self) {
        let (to_judge, staged) = (self.sitting.to_judge, self.records.len());
        let not_judged = |e: &&Exposure| e.judged.is_none() && e.before.is_some();
        let frames: Vec<FrameNumber> = self.sitting.exposures.iter().filter(not_judged).map(|e| e.frame).collect();
        frames.iter().for_each(|frame| self.judge_first(*frame));
        match to_judge {
            Some(ToJudge::First(frame)) if !frames.contains(&frame) => self.conclude_from_first(frame),
            Some(ToJudge::Further(frame)) => {
                // The frame itself may be judged anew already, and those after it not.
                let frames = self.frames_from(frame);
                frames.into_iter().for_each(|of| self.judge_anew(of, Occasion::FurtherFile));
                self.conclude_from_light(frame);
            }
            Some(ToJudge::All(occasion)) => self.judge_all_anew(occasion),
            Some(ToJudge::First(_)) | None => {}
        }
        self.withdraw_of_removed();
        self.name_the_files(staged);
    }

    /// What is made up for doesn't stand behind the record of its file.
    fn name_the_files(&mut self, staged: usize) {
        for body in self.records.iter_mut().skip(staged) {
            if let Body::Judged(judgement) = body {
                judgement.file = self.sitting.exposures.find(judgement.frame).map(|e| e.file.clone());
            }
        }
    }
}
