//! What stands at both ends of a stream besides whole frames: where a recorder rotated its files in mid-frame, the end of
//! one and the beginning of the next are that frame.

use crate::wire::Gap;
use crate::wire::layout::LONGEST;

/// Bytes of no frame at the ends of a stream; empty where there are more than a frame can have.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Cut {
    /// Before the first frame.
    pub head: Vec<u8>,
    /// Behind the last one.
    pub tail: Vec<u8>,
}

/// Finds them while a stream is fed.
#[derive(Debug, Default)]
pub(super) struct Ends {
    /// Bytes done with.
    fed: u64,
    first: Vec<u8>,
    head_len: u64,
    latest: Option<Gap>,
    tail: Vec<u8>,
}

/// A frame and a stamp before it.
const MOST: usize = LONGEST + 8;

impl Ends {
    /// Bytes between frames.
    pub fn gap(&mut self, gap: &Gap) {
        if gap.offset == 0 {
            self.head_len = gap.len;
        }
        self.latest = Some(*gap);
    }

    /// What was fed in one call, and how many bytes of it were used.
    pub fn fed(&mut self, input: &[u8], used: usize, last: bool) {
        if self.fed == 0 {
            self.first = input.get(..input.len().min(MOST)).unwrap_or_default().to_vec();
        }
        let end = self.fed + input.len() as u64;
        if let Some(gap) =
            self.latest.filter(|gap| last && gap.offset + gap.len == end && gap.len <= MOST as u64)
        {
            let len = (gap.len as usize).min(input.len());
            self.tail = input.get(input.len() - len..).unwrap_or_default().to_vec();
        }
        self.fed += used as u64;
    }

    /// What was found.
    pub fn cut(self) -> Cut {
        let head = usize::try_from(self.head_len).ok().and_then(|len| self.first.get(..len));
        Cut { head: head.unwrap_or_default().to_vec(), tail: self.tail }
    }
}
