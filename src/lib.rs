//! Fogbell: the click for a touring band on in-ear monitors, and the click that takes over.
//!
//! The way a beat travels, in this order:
//! a show file is checked ([`show`]), its tempo map is made exact ([`tempo`]), each click becomes a grid
//! of hits and each sound a buffer ([`click`]); what does not fit in memory is streamed ([`renderer`]);
//! the engine sounds all of it ([`realtime`]) on an interface ([`device`]) or into files ([`stems`],
//! written by [`wav`]); a listener that shares no code with the engine judges what left ([`listener`]);
//! [`exposure`] says how loud it is in the ears, as far as that can be known; [`latency`] says how late is what
//! comes back, [`linecheck`] whether each output and input reaches the right place; failures are rehearsed and judged ([`drill`]); events become a snapshot ([`telemetry`]), a log
//! ([`log`]), afterwards a report ([`report`]), and a screen ([`view`]). [`ready`] says whether the computer is fit
//! for it; [`cli`] ties it up.
#![forbid(unsafe_code)]

pub mod units;

pub mod show;

pub mod tempo;

pub mod click;

pub mod renderer;

pub mod timecode;

pub mod follow;

pub mod realtime;

pub mod device;

pub mod latency;

pub mod linecheck;

pub mod wav;

pub mod stems;

pub mod exposure;

pub mod listener;

pub mod drill;

pub mod telemetry;

pub mod survive;

pub mod log;

pub mod report;

pub mod view;

pub mod ready;

pub mod cli;
