//! From text to a tree of nodes with places, by the events of `saphyr-parser`;
//! `opinion` says what plain words mean and reads the whole a second time.
//!
//! Called by `document` with a text inside the caps.

use crate::caps::{MAX_DEPTH, MAX_NODES};
use crate::complaint;
use crate::mistake::{Mistake, Mistakes};
use crate::node::{Data, Item, Kind, Meaning, Node};
use crate::opinion;
use crate::place::{Place, Source};
use crate::readers::shown;
use saphyr_parser::{Event, Parser, ScalarStyle, ScanError, Span};
use std::borrow::Cow;
use std::collections::HashMap;
use std::sync::Arc;

/// The tree, or none if the text can't be read to its end. Mistakes after which
/// reading goes on leave a tree without what was refused.
pub(crate) fn tree(file: &Arc<str>, source: &Source, mistakes: &mut Mistakes) -> Option<Item> {
    let mut builder = Builder {
        file,
        source,
        mistakes,
        stack: Vec::new(),
        root: None,
        nodes: 0,
        documents: 0,
    };
    // Without a final line break the two readers differ on the last text.
    let mut text = Cow::Borrowed(source.text());
    if !text.ends_with('\n') {
        text.to_mut().push('\n');
    }
    let mut parser = Parser::new_from_str(&text);
    // Each event consumes text, and `MAX_NODES` bounds those that don't.
    while let Some(event) = parser.next_event() {
        match event {
            Ok((event, span)) => match builder.take(&event, span) {
                Flow::On => {}
                Flow::End => break,
                Flow::Refused => return None,
            },
            Err(error) => {
                builder.syntax(&error);
                return None;
            }
        }
    }
    let root = builder.root.filter(|root| !Node::of(root).is_null());
    let Some(root) = root else {
        let place = source.place(file, 1, 1, 1);
        let empty = Mistake::new(place, "empty-file", "the file says nothing");
        mistakes.add(empty.hint("write at least one line `key: value`"));
        return None;
    };
    if !mistakes.refuses() {
        opinion::second(file, source, &text, &root, mistakes);
    }
    Some(root)
}

enum Flow {
    On,
    End,
    Refused,
}

enum Frame {
    List {
        place: Place,
        items: Vec<Item>,
    },
    Map {
        place: Place,
        entries: Vec<(Item, Item)>,
        key: Option<Item>,
        /// Keys and where they stand among the entries, once there are many.
        seen: HashMap<String, usize>,
    },
}

struct Builder<'a> {
    file: &'a Arc<str>,
    source: &'a Source,
    mistakes: &'a mut Mistakes,
    stack: Vec<Frame>,
    root: Option<Item>,
    nodes: usize,
    documents: usize,
}

impl Builder<'_> {
    fn take(&mut self, event: &Event<'_>, span: Span) -> Flow {
        let place = self.place(span);
        match event {
            Event::DocumentStart(_) => {
                self.documents += 1;
                if self.documents > 1 {
                    self.mistakes.add(
                        Mistake::new(place, "second-document", "a second document begins here")
                            .hint("one file holds one document; remove the line `---`"),
                    );
                    return Flow::End;
                }
            }
            Event::Alias(_) => {
                self.refuse_alias(&place);
                return self.put_counted(Item {
                    place,
                    data: Data::Scalar {
                        text: String::new(),
                        quoted: false,
                        meaning: Meaning::Null,
                    },
                });
            }
            Event::Scalar(text, style, anchor, tag) => {
                self.refuse_extras(*anchor, tag.is_some(), &place);
                return self.scalar(text, *style, place);
            }
            Event::SequenceStart(anchor, tag) => {
                self.refuse_extras(*anchor, tag.is_some(), &place);
                return self.open(place, span, false);
            }
            Event::MappingStart(anchor, tag) => {
                self.refuse_extras(*anchor, tag.is_some(), &place);
                return self.open(place, span, true);
            }
            Event::SequenceEnd | Event::MappingEnd => return self.close(&place),
            Event::StreamEnd => return Flow::End,
            Event::Nothing | Event::StreamStart | Event::DocumentEnd => {}
        }
        Flow::On
    }

    /// The event's first line, from its first to its last character there.
    fn place(&self, span: Span) -> Place {
        let line = narrow(span.start.line());
        let column = narrow(span.start.col()).saturating_add(1);
        if span.end.line() == span.start.line() {
            let end = narrow(span.end.col()).saturating_add(1);
            return self.source.place(self.file, line, column, end);
        }
        self.source.to_line_end(self.file, line, column)
    }

    fn scalar(&mut self, text: &str, style: ScalarStyle, place: Place) -> Flow {
        let quoted = style != ScalarStyle::Plain;
        let meaning = if quoted {
            Meaning::Text
        } else {
            opinion::meaning(text)
        };
        // An empty value stands where its key stands.
        let place = match (meaning, text.is_empty(), self.waiting_key()) {
            (Meaning::Null, true, Some(key)) => key.place.clone(),
            _ => place,
        };
        self.put_counted(Item {
            place,
            data: Data::Scalar {
                text: text.to_owned(),
                quoted,
                meaning,
            },
        })
    }

    fn open(&mut self, place: Place, span: Span, map: bool) -> Flow {
        if self.stack.len() >= MAX_DEPTH {
            self.mistakes.add(too_deep(place));
            return Flow::Refused;
        }
        // Lines of its own have no opening bracket: they stand at their key.
        let bracket = span.end.index() > span.start.index();
        let place = match self.waiting_key() {
            Some(key) if !bracket => key.place.clone(),
            _ => place,
        };
        self.stack.push(if map {
            Frame::Map {
                place,
                entries: Vec::new(),
                key: None,
                seen: HashMap::new(),
            }
        } else {
            Frame::List {
                place,
                items: Vec::new(),
            }
        });
        Flow::On
    }

    /// `end` is the closing bracket, or empty behind the last line.
    fn close(&mut self, end: &Place) -> Flow {
        let mut item = match self.stack.pop() {
            Some(Frame::List { place, items }) => Item {
                place,
                data: Data::List(items),
            },
            Some(Frame::Map { place, entries, .. }) => Item {
                place,
                data: Data::Map(entries),
            },
            None => return Flow::Refused,
        };
        // A group in brackets on one line stands from bracket to bracket.
        if end.line == item.place.line && end.end_column > end.column {
            item.place.end_column = item.place.end_column.max(end.end_column);
        }
        self.put_counted(item)
    }

    fn put_counted(&mut self, item: Item) -> Flow {
        self.nodes += 1;
        if self.nodes > MAX_NODES {
            self.mistakes.add(
                Mistake::new(
                    item.place,
                    "too-large",
                    format!("the file has more than {MAX_NODES} values"),
                )
                .hint("split it"),
            );
            return Flow::Refused;
        }
        self.put(item);
        Flow::On
    }

    fn put(&mut self, item: Item) {
        // Lines without a key above them stand where their first word stands.
        if let Some(Frame::List { place, .. } | Frame::Map { place, .. }) = self.stack.last_mut()
            && place.end_column == place.column
            && place.line == item.place.line
        {
            *place = item.place.clone();
        }
        match self.stack.last_mut() {
            None => self.root = Some(item),
            Some(Frame::List { items, .. }) => items.push(item),
            Some(Frame::Map {
                entries, key, seen, ..
            }) => match key.take() {
                None => *key = Some(item),
                Some(key) => {
                    if let Some(mistake) = key_mistake(&key, entries, seen) {
                        self.mistakes.add(mistake);
                    } else {
                        entries.push((key, item));
                    }
                }
            },
        }
    }

    /// The key whose value comes next.
    fn waiting_key(&self) -> Option<&Item> {
        match self.stack.last()? {
            Frame::Map { key, .. } => key.as_ref(),
            Frame::List { .. } => None,
        }
    }

    fn refuse_extras(&mut self, anchor: usize, tag: bool, place: &Place) {
        if anchor != 0 {
            self.mistakes.add(
                Mistake::new(
                    place.clone(),
                    "anchor",
                    "an anchor (`&name`) is not wanted here",
                )
                .hint("write the value out; text that begins with `&` needs quotes"),
            );
        }
        if tag {
            self.mistakes.add(
                Mistake::new(place.clone(), "tag", "a tag (`!name`) is not wanted here")
                    .hint("remove it; text that begins with `!` needs quotes"),
            );
        }
    }

    fn refuse_alias(&mut self, place: &Place) {
        self.mistakes.add(
            Mistake::new(
                place.clone(),
                "alias",
                "an alias (`*name`) is not wanted here",
            )
            .hint("write the value out; text that begins with `*` needs quotes"),
        );
    }

    fn syntax(&mut self, error: &ScanError) {
        let mark = error.marker();
        let (line, column) = (narrow(mark.line()), narrow(mark.col()).saturating_add(1));
        let place = self
            .source
            .place(self.file, line, column, column.saturating_add(1));
        let mistake = match error.info() {
            info if info.contains("unknown anchor") => return self.refuse_alias(&place),
            info if info.contains("recursion limit") => too_deep(place),
            info => complaint::of(info, place, self.file, self.source),
        };
        self.mistakes.add(mistake);
    }
}

fn too_deep(place: Place) -> Mistake {
    let message = format!("lists and groups are nested deeper than {MAX_DEPTH}");
    Mistake::new(place, "too-deep", message).hint("close the brackets, or write it flatter")
}

/// What is wrong with a key: it must be text, no merge key, and new in its map.
fn key_mistake(
    key: &Item,
    entries: &[(Item, Item)],
    seen: &mut HashMap<String, usize>,
) -> Option<Mistake> {
    let node = Node::of(key);
    let place = key.place.clone();
    let text = node.text().unwrap_or_default();
    if text == "<<" && !node.is_quoted() {
        return Some(
            Mistake::new(place, "merge-key", "the merge key `<<` is not wanted here")
                .hint("write the keys out"),
        );
    }
    if node.kind() != Kind::Text {
        let message = match node.text() {
            Some(text) => format!("the key {} is not text", shown(text)),
            None => format!("a key must be text, this one is {}", node.kind().words()),
        };
        return Some(
            Mistake::new(place, "key-not-text", message)
                .maybe_hint(node.text().map(|_| "put it in quotes".to_owned())),
        );
    }
    if let Some(first) = written_before(text, entries, seen) {
        return Some(
            Mistake::new(
                place,
                "key-twice",
                format!("the key {} is written twice", shown(text)),
            )
            .hint("keep one of the two")
            .also(first.clone(), "first written here"),
        );
    }
    None
}

/// Keys up to which a map is gone through for each new one: a file may have
/// 30,000 small maps.
const FEW_KEYS: usize = 16;

/// Where a key stands already. `seen` is filled up to here when it is needed.
fn written_before<'a>(
    text: &str,
    entries: &'a [(Item, Item)],
    seen: &mut HashMap<String, usize>,
) -> Option<&'a Place> {
    let text_of = |at: usize| Node::of(&entries[at].0).text().unwrap_or_default();
    let at = if entries.len() <= FEW_KEYS {
        (0..entries.len()).find(|at| text_of(*at) == text)
    } else {
        for at in seen.len()..entries.len() {
            seen.insert(text_of(at).to_owned(), at);
        }
        seen.get(text).copied()
    };
    at.map(|at| &entries[at].0.place)
}

/// Text inside the caps never comes near the limit.
pub(crate) fn narrow(n: usize) -> u32 {
    u32::try_from(n).unwrap_or(u32::MAX - 1)
}
