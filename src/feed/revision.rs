//! When an event gets a new revision: the whole rule, without a database.
//!
//! | told last       | holds now      | next revision     |
//! |-----------------|----------------|-------------------|
//! | never           | yes            | 1                 |
//! | standing        | the same       | none              |
//! | standing        | something else | one more          |
//! | standing        | no             | one more, retracted |
//! | retracted       | yes            | one more          |
//! | retracted       | no             | none              |

/// The latest revision told of an event.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Latest {
    /// Its number, from 1.
    pub revision: i64,
    /// True if it took the event back.
    pub retracted: bool,
    /// Hash of its content.
    pub hash: [u8; 32],
}

/// The revision to append.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Next {
    /// Its number.
    pub revision: i64,
    /// True if it takes the event back.
    pub retracted: bool,
}

/// What to append, given what was told last and the content that holds now (`None`: it does not hold).
pub fn next(latest: Option<Latest>, holds: Option<[u8; 32]>) -> Option<Next> {
    let changed = match (latest, holds) {
        (None, holds) => holds.is_some(),
        (Some(told), Some(hash)) => told.retracted || told.hash != hash,
        (Some(told), None) => !told.retracted,
    };
    let revision = latest.map_or(0, |told| told.revision) + 1;
    changed.then_some(Next { revision, retracted: holds.is_none() })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_table_holds() {
        let told = |revision, retracted| Some(Latest { revision, retracted, hash: [7; 32] });
        let next_is = |revision, retracted| Some(Next { revision, retracted });
        for (case, latest, holds, want) in [
            ("never told, does not hold", None, None, None),
            ("new", None, Some([7; 32]), next_is(1, false)),
            ("the same", told(1, false), Some([7; 32]), None),
            ("corrected", told(1, false), Some([8; 32]), next_is(2, false)),
            ("gone", told(2, false), None, next_is(3, true)),
            ("still gone", told(3, true), None, None),
            ("back as it was", told(3, true), Some([7; 32]), next_is(4, false)),
        ] {
            assert_eq!(next(latest, holds), want, "{case}");
        }
    }
}
