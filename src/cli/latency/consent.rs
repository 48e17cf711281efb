//! Before anything leaves a real device: is somebody wearing it?

use super::target::Channel;
use crate::show::model::Host;
use std::io::{BufRead, Write};

/// What is said, whether or not somebody answers.
pub fn caution(output: &Channel, input: &Channel, ceiling_db: f64) -> String {
    format!(
        "Clicks will leave output {} and no other, first at {:.0} dBFS, then louder by {:.0} dB at a time, never\n\
         above {ceiling_db:.0} dBFS. Loud clicks in ears can harm hearing for good.\n\
         Input {}: switch phantom power off before a cable joins the two (48 V can harm an output), and use no\n\
         microphone input at microphone gain.",
        output.words(),
        crate::latency::session::QUIET.0,
        crate::latency::session::STEP,
        input.words(),
    )
}

/// Asks on standard error whether ears are out, or `muted` ("is that channel muted"), and waits for the word on standard
/// input. The virtual interface has no ears.
pub fn given(host: Host, said_already: bool, caution: &str, muted: &str) -> bool {
    if host == Host::Virtual {
        return true;
    }
    let mut err = std::io::stderr();
    let _gone = writeln!(err, "{caution}");
    if said_already {
        return true;
    }
    let _gone = write!(err, "Are ears out, or {muted}? Type yes: ");
    let _gone = err.flush();
    let mut answer = String::new();
    let read = std::io::stdin().lock().read_line(&mut answer);
    read.is_ok() && answer.trim().eq_ignore_ascii_case("yes")
}
