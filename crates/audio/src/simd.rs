//! The hot loops, compiled for wider registers where the processor has them.
//!
//! Only the width changes: no multiplication is fused with an addition and no sum is taken in another order, so every
//! processor gives the same bytes. What is called within must be inlined, or it is compiled for the narrow registers.
//!
//! It knows nothing of what the loops compute.

/// Runs `work` compiled for the best instructions that the processor has.
pub fn with_simd<R>(work: impl FnOnce() -> R) -> R {
    pulp::Arch::new().dispatch(work)
}
