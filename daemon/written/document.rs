//! A written file as a tree of nodes, and one file laid over another.
//!
//! Called by `plan`, `drivers` and `cli` with a text that they have read.

use crate::caps;
use crate::mistake::{Mistake, Mistakes};
use crate::node::{Data, Item, Node};
use crate::parse;
use crate::place::{Source, Sources};
use std::sync::Arc;

/// A file that was understood as YAML. Every node keeps the file and the place
/// from which it came, also after [`Document::laid_over`].
#[derive(Debug, Clone)]
pub struct Document {
    file: Arc<str>,
    root: Item,
    sources: Sources,
}

impl Document {
    /// The outermost value.
    #[must_use]
    pub fn root(&self) -> Node<'_> {
        Node::of(&self.root)
    }

    /// The name under which the file was read.
    #[must_use]
    pub fn file(&self) -> &str {
        &self.file
    }

    /// All texts that the document's places point into.
    #[must_use]
    pub fn sources(&self) -> &Sources {
        &self.sources
    }

    /// This document with whatever only `base` says. Keys of both: maps are laid
    /// over each other in turn, anything else is this document's, lists whole.
    /// The order is `base`'s, then what is new.
    #[must_use]
    pub fn laid_over(self, base: Document) -> Document {
        let mut sources = base.sources;
        sources.merge(&self.sources);
        Document {
            file: self.file,
            root: lay(self.root, base.root),
            sources,
        }
    }
}

/// Depth is at most [`caps::MAX_DEPTH`], so the recursion is bounded.
fn lay(over: Item, base: Item) -> Item {
    match (over.data, base.data) {
        (Data::Map(new), Data::Map(old)) => {
            let mut entries: Vec<(Item, Item)> = old;
            let mut at: std::collections::HashMap<String, usize> = entries
                .iter()
                .enumerate()
                .filter_map(|(at, (key, _))| Some((Node::of(key).text()?.to_owned(), at)))
                .collect();
            for (key, value) in new {
                let name = Node::of(&key).text().unwrap_or_default().to_owned();
                match at.get(&name) {
                    Some(at) => {
                        let (old_key, old_value) = &mut entries[*at];
                        let old_value = std::mem::replace(old_value, placeholder(&value));
                        *old_key = key;
                        entries[*at].1 = lay(value, old_value);
                    }
                    None => {
                        at.insert(name, entries.len());
                        entries.push((key, value));
                    }
                }
            }
            Item {
                place: over.place,
                data: Data::Map(entries),
            }
        }
        (data, _) => Item {
            place: over.place,
            data,
        },
    }
}

/// Stands in for a value while it is moved out and merged.
fn placeholder(like: &Item) -> Item {
    Item {
        place: like.place.clone(),
        data: Data::List(Vec::new()),
    }
}

/// Reads one file. `file` is the name that messages show; it is not opened.
///
/// # Errors
/// All mistakes, sorted: too large, too deep, unwanted characters, not YAML, or
/// YAML that is not wanted here (anchors, aliases, merge keys, tags, several
/// documents, keys that are twice or not text, nothing at all).
pub fn read(file: &str, text: &str) -> Result<Document, Vec<Mistake>> {
    let mut mistakes = Mistakes::new();
    match read_collecting(file, text, &mut mistakes) {
        Some(document) if !mistakes.refuses() => Ok(document),
        _ => Err(mistakes.into_sorted()),
    }
}

/// Like [`read`], but gives the document also where a mistake leaves the rest
/// readable (a key written twice, a tag, an anchor), so that the mistakes of its
/// fields are told in the same go. The file is refused if `mistakes` refuses.
pub fn read_collecting(file: &str, text: &str, mistakes: &mut Mistakes) -> Option<Document> {
    let file: Arc<str> = Arc::from(file);
    if let Some(mistake) = caps::size(&file, text) {
        mistakes.add(mistake);
        return None;
    }
    let source = Arc::new(Source::new(text));
    let mut own = Mistakes::new();
    caps::characters(&file, &source, &mut own);
    let root = if own.is_empty() {
        parse::tree(&file, &source, &mut own)
    } else {
        None
    };
    mistakes.extend(own.into_sorted());
    let mut sources = Sources::new();
    sources.add_source(Arc::clone(&file), source);
    Some(Document {
        file,
        root: root?,
        sources,
    })
}
