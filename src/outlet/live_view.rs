//! The sitting on the photographer's own terminal: the same as the pages show, drawn anew when it changes.

use std::collections::VecDeque;
use std::io;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use ratatui::crossterm::event::{self, Event, KeyEventKind};
use ratatui::layout::{Constraint, Layout, Rect};
use ratatui::style::{Modifier, Style};
use ratatui::symbols::Marker;
use ratatui::text::{Line, Span, Text};
use ratatui::widgets::{Axis, Block, Borders, Chart, Clear, Dataset, GraphType, Paragraph, Row, Table, Wrap};
use ratatui::{DefaultTerminal, Frame};
use tokio::sync::watch;

use super::live_keys::{Over, Step, after_key, keys};
use super::plain::{printable, printable_lines};
use super::screen::{Shown, compared, scale};
use crate::photometry::Stops;
use crate::session::{Board, Card, CardState, Command};
use crate::wording::{counted, wrapped};

/// Lines of what happened that are kept.
const LINES: usize = 200;
/// A key is answered within this.
const POLL_EVERY: Duration = Duration::from_millis(100);

/// What happened, line by line; messages of the program among it.
#[derive(Debug, Clone, Default)]
pub struct Lines(Arc<Mutex<Happened>>);

#[derive(Debug, Default)]
struct Happened {
    lines: VecDeque<String>,
    /// How many there ever were.
    count: usize,
}

impl Lines {
    pub fn add(&self, text: &str) {
        let mut happened = self.lock();
        happened.count += text.lines().count();
        happened.lines.extend(text.lines().map(printable));
        let surplus = happened.lines.len().saturating_sub(LINES);
        happened.lines.drain(..surplus);
    }

    fn count(&self) -> usize {
        self.lock().count
    }

    /// The last ones that fit.
    fn last(&self, fit: usize) -> Vec<String> {
        let happened = self.lock();
        happened.lines.iter().skip(happened.lines.len().saturating_sub(fit)).cloned().collect()
    }

    fn lock(&self) -> MutexGuard<'_, Happened> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl io::Write for Lines {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.add(&String::from_utf8_lossy(bytes));
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// What stays the same during a watch.
#[derive(Debug, Clone, Default)]
pub struct Fixed {
    pub folder: String,
    /// How the stand page is reached, for phones with its QR code.
    pub page: Option<String>,
}

/// Lines of the page's two addresses.
const ADDRESSES: usize = 2;

/// Shows the sitting until somebody ends it, or the screens go away. The terminal is given back in any case.
pub fn run(
    screens: &mut watch::Receiver<Arc<Shown>>,
    fixed: &Fixed,
    lines: &Lines,
    tell: impl Fn(Vec<Command>),
) -> io::Result<()> {
    let shown = ratatui::try_init().and_then(|mut terminal| follow(&mut terminal, screens, fixed, lines, tell));
    ratatui::restore();
    shown
}

/// Gives the terminal back whatever is shown on it.
pub fn give_back() {
    ratatui::restore();
}

fn follow(
    terminal: &mut DefaultTerminal,
    screens: &mut watch::Receiver<Arc<Shown>>,
    fixed: &Fixed,
    lines: &Lines,
    tell: impl Fn(Vec<Command>),
) -> io::Result<()> {
    // A code for phones is there to be read first.
    let has_code = fixed.page.as_ref().is_some_and(|p| p.lines().count() > ADDRESSES);
    let mut over = if has_code { Over::Page } else { Over::Nothing };
    let mut before = 0;
    let mut fresh = true;
    // Keys are meant for what is seen.
    let mut seen = Arc::clone(&screens.borrow());
    loop {
        let changed = match screens.has_changed() {
            Ok(changed) => changed,
            Err(_) => return Ok(()),
        };
        let now = lines.count();
        if fresh || changed || now != before {
            let shown = Arc::clone(&screens.borrow_and_update());
            terminal.draw(|frame| draw(frame, &shown.board, fixed, lines, &over))?;
            seen = shown;
            (before, fresh) = (now, false);
        }
        if event::poll(POLL_EVERY)? {
            fresh = true;
            match event::read()? {
                Event::Key(key) if key.kind == KeyEventKind::Press => {
                    let before = std::mem::replace(&mut over, Over::Nothing);
                    match after_key(key, before, &seen.board, fixed.page.is_some()) {
                        Step::Show(next) => over = next,
                        Step::Tell(commands) => tell(commands),
                        Step::Say(text) => lines.add(&format!("! {text}")),
                        Step::EndTheWatch => return Ok(()),
                    }
                }
                _ => {}
            }
        }
    }
}

/// Draws everything.
pub fn draw(frame: &mut Frame, board: &Board, fixed: &Fixed, lines: &Lines, over: &Over) {
    let across = frame.area().width;
    let detail = detail_for(frame.area(), board);
    let lights = board.cards.iter().map(|card| lines_of(card, across, detail).len() as u16).sum::<u16>() + 1;
    let [head, last, cards, trend, happened, foot] = Layout::vertical([
        Constraint::Length(2),
        Constraint::Length(4),
        Constraint::Length(lights),
        Constraint::Fill(2),
        Constraint::Min(LEAST_HAPPENED),
        Constraint::Length(1),
    ])
    .areas(frame.area());
    let look = board.look.as_deref().unwrap_or("none yet");
    let frames = counted(board.frames as usize, "frame");
    let title = format!("greyhold   {}   look {}   {frames}", printable(&fixed.folder), printable(look));
    let leads = Line::styled(format!("> {}", printable(&board.leads())), bold().add_modifier(Modifier::REVERSED));
    frame.render_widget(Text::from(vec![Line::styled(title, dim()), leads]), head);
    frame.render_widget(last_frame(board), last);
    draw_cards(frame, cards, board, detail);
    draw_trend(frame, trend, board);
    let rows = usize::from(happened.height.saturating_sub(1));
    let text: Vec<Line> = lines.last(rows).into_iter().map(Line::raw).collect();
    frame.render_widget(Paragraph::new(text).block(titled("what happened")), happened);
    let page = if fixed.page.is_some() { "  p page" } else { "" };
    frame.render_widget(Line::styled(format!("{}{page}", keys(board)), dim()), foot);
    match over {
        Over::Nothing => {}
        Over::Page => draw_over(frame, "the stand page", &printable_lines(fixed.page.as_deref().unwrap_or_default())),
        Over::End => draw_over(
            frame,
            "end?",
            "End the watch? Frames that land meanwhile are read at the next start.\n\ny  end      any other key  go on",
        ),
        Over::Typing(what, text) => {
            let (title, asks) = what.asks();
            draw_over(frame, title, &format!("{asks}\n\n> {}_\n\nEnter  tell      Esc  go back", printable(text)));
        }
    }
}

fn bold() -> Style {
    Style::default().add_modifier(Modifier::BOLD)
}

fn dim() -> Style {
    Style::default().add_modifier(Modifier::DIM)
}

fn titled(title: &str) -> Block<'_> {
    Block::default().borders(Borders::TOP).border_style(dim()).title(title)
}

fn last_frame(board: &Board) -> Paragraph<'_> {
    let Some(last) = &board.last else {
        return Paragraph::new("No frame yet.");
    };
    let removed = if last.removed { " (gone from the folder)" } else { "" };
    let first = format!("{}{removed}  {}", printable(&last.file), last.settings);
    let word = if board.hold.is_some() { "HOLD  " } else { "" };
    let drift = last.drift.as_deref().map_or_else(String::new, |d| format!("drift {d}   "));
    let survey = board.survey.next.as_ref().map(|next| format!("survey: now {next}"));
    let text = Text::from(vec![
        Line::raw(first),
        Line::from(vec![
            Span::styled(word, bold().add_modifier(Modifier::REVERSED)),
            Span::styled(printable(&last.sentence), bold()),
        ]),
        Line::raw(format!("{drift}{}", last.clipping)),
        survey.map_or_else(|| Line::raw(board.ratios.join("   ")), |s| Line::styled(s, bold())),
    ]);
    Paragraph::new(text).wrap(Wrap { trim: true })
}

/// The sign and the word of a card's state.
fn state_words(card: &Card) -> (&'static str, &'static str) {
    match (card.state, card.clicks) {
        (CardState::Rest, _) => ("·", ""),
        (CardState::Up, _) => ("▲", "turn up"),
        (CardState::Down, _) => ("▼", "turn down"),
        (CardState::Leave, _) => ("■", "leave"),
        (CardState::Coming, n) if n > 0 => ("△", "coming: up"),
        (CardState::Coming, _) => ("▽", "coming: down"),
        (CardState::Hold, _) => ("‖", "HOLD"),
        (CardState::Set, _) => ("✓", "set"),
        (CardState::EndOfRange, _) if card.coming => ("!", "coming: end"),
        (CardState::EndOfRange, _) => ("!", "end of range"),
    }
}

/// How much is said of each light.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Detail {
    All,
    /// Without how sure it is.
    TurnsAndWays,
    Turns,
}

/// Lines of what happened that are always there: answers stand among them.
const LEAST_HAPPENED: u16 = 4;
/// Lines of the head, the last frame and the keys.
const OTHER_LINES: u16 = 7;

/// As much as fits: every light is seen, and what was answered last.
fn detail_for(area: Rect, board: &Board) -> Detail {
    let room = area.height.saturating_sub(OTHER_LINES + LEAST_HAPPENED + 1);
    let needs = |detail| board.cards.iter().map(|card| lines_of(card, area.width, detail).len() as u16).sum::<u16>();
    let fits = |detail: &Detail| needs(*detail) <= room;
    [Detail::All, Detail::TurnsAndWays].into_iter().find(fits).unwrap_or(Detail::Turns)
}

/// Columns of a card before its words: a sign, the group, a word, and both dial positions.
const BEFORE_WORDS: [u16; 5] = [2, 12, 13, 10, 13];
/// Narrower words are not worth wrapping.
const NARROWEST: u16 = 12;

/// The lines of a card: what to do, how sure that is, and what else would do. They are wrapped, for what an interval holds under
/// stands at the end of a line.
fn lines_of(card: &Card, across: u16, detail: Detail) -> Vec<String> {
    let before = BEFORE_WORDS.iter().sum::<u16>() + BEFORE_WORDS.len() as u16;
    let width = usize::from(across.saturating_sub(before).max(NARROWEST));
    let sure = Some(&card.sure).filter(|_| detail == Detail::All);
    let other_way = card.other_way.as_ref().filter(|_| detail != Detail::Turns);
    let texts = [Some(&card.does), sure, other_way];
    let lines: Vec<String> = texts.into_iter().flatten().flat_map(|text| wrapped(text, width)).collect();
    if lines.is_empty() { vec![String::new()] } else { lines }
}

fn draw_cards(frame: &mut Frame, area: Rect, board: &Board, detail: Detail) {
    let dial = |shown: &Option<String>| shown.clone().unwrap_or_else(|| "?".to_owned());
    let row = |card: &Card| {
        let (sign, word) = state_words(card);
        let to = if card.clicks == 0 {
            String::new()
        } else {
            format!("-> {}", dial(&card.to.clone().or(card.change.as_ref().map(|change| format!("{change} stop")))))
        };
        let does = lines_of(card, area.width, detail);
        let asked = !matches!(card.state, CardState::Rest | CardState::Leave | CardState::Set);
        Row::new([sign.to_owned(), card.group.to_string(), word.to_owned(), dial(&card.at), to, does.join("\n")])
            .height(does.len() as u16)
            .style(if asked { bold() } else { Style::default() })
    };
    let widths = BEFORE_WORDS.map(Constraint::Length).into_iter().chain([Constraint::Fill(1)]);
    let title = match &board.asked {
        Some(asked) => match &asked.coming {
            Some(settings) => format!("lights, coming for {settings}"),
            None => "lights: to be turned now".to_owned(),
        },
        None => "lights".to_owned(),
    };
    frame.render_widget(Table::new(board.cards.iter().map(row), widths).block(titled(&title)), area);
}

/// Frames of the trend, at most and at least: fewer would be drawn far apart.
const MOST_SHOWN: f64 = 60.0;
const LEAST_SHOWN: f64 = 9.0;

fn draw_trend(frame: &mut Frame, area: Rect, board: &Board) {
    let points: Vec<(f64, f64)> = compared(&board.trend).into_iter().map(|(frame, drift, _)| (frame, drift)).collect();
    let range = scale(points.iter().map(|(_, drift)| drift.abs()));
    // To what there is: the frames of late, and no empty room for those that may come.
    let last = points.last().map_or(1.0, |(frame, _)| *frame);
    let first = points.iter().map(|(frame, _)| *frame).find(|frame| *frame > last - MOST_SHOWN).unwrap_or(last);
    let first = first.min(last - LEAST_SHOWN);
    let edge = |at: f64| [(first - 1.0, at), (last + 1.0, at)];
    let (upper, lower) = (edge(board.tolerance.0), edge(-board.tolerance.0));
    let limit = |data| Dataset::default().marker(Marker::Braille).style(dim()).graph_type(GraphType::Line).data(data);
    let sets = vec![
        limit(&upper),
        limit(&lower),
        Dataset::default().marker(Marker::Dot).style(bold()).graph_type(GraphType::Scatter).data(&points),
    ];
    let label = |stops: f64| Stops(stops).to_string();
    let chart = Chart::new(sets)
        .block(titled("drift of the last frames in stops; between the lines: within the tolerance"))
        .x_axis(Axis::default().bounds([first - 1.0, last + 1.0]))
        .y_axis(Axis::default().bounds([-range, range]).labels([label(-range), label(0.0), label(range)]));
    frame.render_widget(chart, area);
}

fn draw_over(frame: &mut Frame, title: &str, text: &str) {
    let (width, height) =
        (text.lines().map(|l| l.chars().count()).max().unwrap_or(0) as u16 + 4, text.lines().count() as u16 + 2);
    let whole = frame.area();
    let (width, height) = (width.min(whole.width), height.min(whole.height));
    let area = Rect::new((whole.width - width) / 2, (whole.height - height) / 2, width, height);
    frame.render_widget(Clear, area);
    frame.render_widget(Paragraph::new(text).block(Block::bordered().title(title)), area);
}
