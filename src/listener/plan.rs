//! What was due, from the engine's own account of where it was.
pub struct Plan;
pub struct NoClips;
pub trait Clips {}
