//! The engine with its callback times counted.

use crate::realtime::io::{Io, Process};
use crate::survive::thrift::Thrift;
use crate::telemetry::LoadMeter;
use crate::units::SampleRate;
use std::sync::Arc;
use std::time::Instant;

/// The clock is read twice a callback (on Linux without a system call); the rest is atomics.
pub struct Metered<P> {
    inner: P,
    meter: Arc<LoadMeter>,
    rate: SampleRate,
    thrift: Thrift,
}

impl<P: Process> Metered<P> {
    pub fn new(inner: P, meter: &Arc<LoadMeter>, rate: SampleRate) -> Metered<P> {
        Metered { inner, meter: Arc::clone(meter), rate, thrift: Thrift::default() }
    }
}

impl<P: Process> Process for Metered<P> {
    fn process(&mut self, io: &mut Io) {
        let began = Instant::now();
        io.thrift = self.meter.given_up();
        self.inner.process(io);
        let block = io.frames as u64 * 1_000_000_000 / u64::from(self.rate.hertz());
        let took = began.elapsed().as_nanos() as u64 + io.spent_ns;
        self.meter.record(took, block);
        self.meter.give_up(self.thrift.step(io.late_ns, took as i64, block as i64) as u8);
    }
}
