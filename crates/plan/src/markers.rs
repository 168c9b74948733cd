//! Where stems and markers stand on the time line of the delivery, and the stated markers in the outputs whose recipe asks
//! for them.

use loadin_session::facts::At;

use crate::plan::{Plan, StemPlan};
use crate::recipe::Recipe;
use crate::shape::PlannedMarker;
use crate::stages::{Decision, re_encode};

impl Plan {
    /// Where the first frame of a stem's source stands on the time line of the delivery, in seconds: zero is where the
    /// first stem starts. Every stem starts there where the recipe aligns nothing.
    pub fn start_seconds(&self, stem: &StemPlan) -> f64 {
        let aligned = self.link.timestamp_frames.is_some();
        let frames = if aligned { self.link.trim_head_frames as i64 - stem.output.shift_frames } else { 0 };
        frames as f64 / f64::from(stem.output.rate_hz.max(1))
    }
}

/// Gives the markers, in seconds on the time line of the delivery, to the stems whose recipe asks for them. What lies outside
/// of an output is not in it.
pub(crate) fn write_markers(plan: &mut Plan, recipe: &Recipe, markers: &[At<String>]) {
    let starts: Vec<f64> = plan.stems.iter().map(|stem| plan.start_seconds(stem)).collect();
    for (stem, start) in plan.stems.iter_mut().zip(starts) {
        if !recipe.settings::<re_encode::Settings>(stem.path()).is_some_and(|settings| settings.markers) {
            continue;
        }
        let planned = planned(stem, start, markers);
        for decision in &mut stem.decisions {
            if let Decision::ReEncode(re_encode::Decision::Write { markers, .. }) = decision {
                markers.clone_from(&planned);
            }
        }
    }
}

fn planned(stem: &StemPlan, start_seconds: f64, markers: &[At<String>]) -> Vec<PlannedMarker> {
    let output = &stem.output;
    let frame = |seconds: f64| {
        let of_source = ((seconds - start_seconds) * f64::from(output.rate_hz)).round() as i64;
        u64::try_from(of_source - output.shift_frames).ok().filter(|frame| *frame <= output.frames)
    };
    // A name ends with its first NUL, and readers show no other control characters.
    let name = |at: &At<String>| at.what.chars().filter(|c| !c.is_control()).collect::<String>();
    let marker = |at: &At<String>| Some(PlannedMarker { frame: frame(at.seconds)?, name: name(at) });
    markers.iter().filter_map(marker).filter(|marker| !marker.name.trim().is_empty()).collect()
}
