//! Latency: right or refused, and as precise as noise allows.

mod corpus;

mod fixtures;

mod precision;

mod world;
