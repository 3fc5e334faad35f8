//! Memory: what a fit's loop takes from the heap, and how a mixed fit grows with its birds.
//!
//! One test in this binary, since the counting allocator counts every thread's.

use std::alloc::{GlobalAlloc, Layout, System};
use std::sync::atomic::{AtomicUsize, Ordering};

mod mixed_fit;
mod no_allocation;

struct Counting;

static ALLOCATIONS: AtomicUsize = AtomicUsize::new(0);
static HELD: AtomicUsize = AtomicUsize::new(0);
static MOST_HELD: AtomicUsize = AtomicUsize::new(0);

// SAFETY: every call goes to the system's allocator unchanged; only sums are kept.
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        ALLOCATIONS.fetch_add(1, Ordering::Relaxed);
        let held = HELD.fetch_add(layout.size(), Ordering::Relaxed) + layout.size();
        MOST_HELD.fetch_max(held, Ordering::Relaxed);
        // SAFETY: the caller's own promise, passed on.
        unsafe { System.alloc(layout) }
    }

    unsafe fn dealloc(&self, pointer: *mut u8, layout: Layout) {
        HELD.fetch_sub(layout.size(), Ordering::Relaxed);
        // SAFETY: as above.
        unsafe { System.dealloc(pointer, layout) }
    }
}

#[global_allocator]
static ALLOCATOR: Counting = Counting;

#[test]
fn memory_is_bounded() {
    no_allocation::the_loop_allocates_nothing();
    mixed_fit::memory_is_linear_in_the_birds();
}
