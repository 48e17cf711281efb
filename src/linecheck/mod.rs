//! Line check: does every output reach the right place, and does every input hear what it should?
//!
//! In: a show, a rig, what the inputs of a device hear, a person's answers. Out: what is to sound on which output, a
//! verdict for each output and input, and in words what that proves. Thread: ordinary ones, but for [`desk::Desk`],
//! which the audio thread runs. Always: one output sounds at a time, from the show's quietest level up and never over
//! its ceiling; time is an argument (the device's frames); what nobody looked at is called unchecked, not right.

pub mod pattern;

pub mod plan;

pub mod desk;

pub mod measure;

pub mod hum;

pub mod alike;

pub mod judge;

pub mod answer;

pub mod walk;

pub mod found;

pub mod conduct;

pub mod cables;

pub use walk::Answer;
