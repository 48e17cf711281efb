//! (telemetry)
