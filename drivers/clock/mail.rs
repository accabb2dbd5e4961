//! Bounded mailboxes: requests to a port thread, answers to the attendant.
//!
//! Posting never blocks and rings the owner's seat; taking never blocks. Either
//! side sees when the other is gone. Any thread may post.

use std::collections::VecDeque;
use std::fmt;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use super::seat::Bell;

/// Opens a mailbox for the seat that `bell` rings, with room for
/// `limit_letters` (at least one).
pub fn mailbox<T>(bell: Bell, limit_letters: usize) -> (Post<T>, Mailbox<T>) {
    let shared = Arc::new(Shared {
        letters: Mutex::new(VecDeque::new()),
        limit_letters: limit_letters.max(1),
        posts: AtomicUsize::new(1),
        closed: AtomicBool::new(false),
        bell,
    });
    (Post(Arc::clone(&shared)), Mailbox(shared))
}

struct Shared<T> {
    letters: Mutex<VecDeque<T>>,
    limit_letters: usize,
    /// How many posts are left; none: the mailbox is closed from outside.
    posts: AtomicUsize,
    /// Whether the owner is gone.
    closed: AtomicBool,
    bell: Bell,
}

impl<T> Shared<T> {
    fn letters(&self) -> MutexGuard<'_, VecDeque<T>> {
        self.letters.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// The sender's side; clones post into the same box.
pub struct Post<T>(Arc<Shared<T>>);

/// Why a letter came back, with the letter.
#[derive(thiserror::Error)]
pub enum PostError<T> {
    /// The box holds as many letters as it may.
    #[error("the mailbox is full")]
    Full(T),
    /// The owner is gone.
    #[error("the mailbox is closed")]
    Closed(T),
}

impl<T> fmt::Debug for PostError<T> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            PostError::Full(_) => "Full",
            PostError::Closed(_) => "Closed",
        })
    }
}

impl<T> Post<T> {
    /// Posts a letter and rings the owner's seat.
    ///
    /// # Errors
    /// `Full` at the box's limit, `Closed` when the owner is gone; both give
    /// the letter back.
    pub fn post(&self, letter: T) -> Result<(), PostError<T>> {
        {
            let mut letters = self.0.letters();
            if self.0.closed.load(Ordering::SeqCst) {
                return Err(PostError::Closed(letter));
            }
            if letters.len() >= self.0.limit_letters {
                return Err(PostError::Full(letter));
            }
            letters.push_back(letter);
        }
        self.0.bell.ring();
        Ok(())
    }

    /// Whether the owner is gone.
    pub fn is_closed(&self) -> bool {
        self.0.closed.load(Ordering::SeqCst)
    }
}

impl<T> Clone for Post<T> {
    fn clone(&self) -> Post<T> {
        self.0.posts.fetch_add(1, Ordering::SeqCst);
        Post(Arc::clone(&self.0))
    }
}

impl<T> Drop for Post<T> {
    fn drop(&mut self) {
        // The last one rings, so that an owner that only waits for mail wakes
        // and sees that none will come.
        if self.0.posts.fetch_sub(1, Ordering::SeqCst) == 1 {
            self.0.bell.ring();
        }
    }
}

impl<T> fmt::Debug for Post<T> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Post")
            .field("limit_letters", &self.0.limit_letters)
            .finish()
    }
}

/// The owner's side.
pub struct Mailbox<T>(Arc<Shared<T>>);

impl<T> Mailbox<T> {
    /// The oldest letter, if there is one; never blocks.
    pub fn take(&mut self) -> Option<T> {
        self.0.letters().pop_front()
    }

    /// Whether it is empty and nobody is left who could post.
    pub fn is_finished(&self) -> bool {
        self.0.posts.load(Ordering::SeqCst) == 0 && self.0.letters().is_empty()
    }
}

impl<T> Drop for Mailbox<T> {
    fn drop(&mut self) {
        // Letters go with their owner; dropped outside the lock, because a
        // letter may hold a post whose end rings another seat.
        let left = {
            let mut letters = self.0.letters();
            self.0.closed.store(true, Ordering::SeqCst);
            std::mem::take(&mut *letters)
        };
        drop(left);
    }
}

impl<T> fmt::Debug for Mailbox<T> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Mailbox")
            .field("letters", &self.0.letters().len())
            .finish()
    }
}
