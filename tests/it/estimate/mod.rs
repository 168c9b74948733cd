//! What is computed from sound: relatives among the stems, places, the rough mix, the music.

mod band;
mod places;
mod rough_mix;
mod siblings;
