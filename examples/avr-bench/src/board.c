// An ATmega328P at 16 MHz in libsimavr: edges in at exact cycles, serial bytes out, cycles counted. Quirks of simavr 1.6 that this works
// around are named where it does.
#include <stdarg.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "avr_ioport.h"
#include "avr_uart.h"
#include "sim_avr.h"
#include "sim_cycle_timers.h"
#include "sim_elf.h"
#include "sim_interrupts.h"
#include "sim_io.h"

#define VECTORS 26
#define MOST_SPANS 16
#define PAINT 0xA5

struct cost {
    uint64_t count, total, least, most;
};

// A function whose cycles are counted from its first instruction to its return, interrupts in between left out.
struct span {
    uint32_t entry;
    uint16_t stack;
    uint32_t back;
    int inside;
    uint64_t began, interrupted;
    struct cost cost;
};

struct board {
    avr_t *avr;
    avr_irq_t *pin;
    // The edges to come: cycle and level of each.
    const uint64_t *cycles;
    const uint8_t *levels;
    size_t edges, next;
    // What the serial port has sent, and when.
    uint8_t *bytes;
    uint64_t *sent_at;
    size_t len, room;
    // Interrupts.
    uint64_t entered[VECTORS], interrupted;
    struct cost interrupts[VECTORS];
    struct span spans[MOST_SPANS];
    int span_count;
    uint16_t paint_from;
    // When the firmware started timer 1, and every capture it has read since, in ticks of 8 cycles from there.
    uint64_t started;
    uint64_t *captures;
    size_t captured, capture_room;
};

struct vector {
    struct board *board;
    int number;
};

static struct vector vectors[VECTORS];

static void count(struct cost *cost, uint64_t cycles) {
    if (cost->count == 0 || cycles < cost->least) cost->least = cycles;
    if (cycles > cost->most) cost->most = cycles;
    cost->count++;
    cost->total += cycles;
}

// A timer is served after the instruction that its cycle falls into; the clock is put back for the moment of the edge.
static avr_cycle_count_t play(avr_t *avr, avr_cycle_count_t when, void *param) {
    (void)when;
    struct board *board = param;
    avr_cycle_count_t now = avr->cycle;
    while (board->next < board->edges && board->cycles[board->next] <= now) {
        avr->cycle = board->cycles[board->next];
        avr_raise_irq(board->pin, board->levels[board->next]);
        board->next++;
    }
    avr->cycle = now;
    return board->next < board->edges ? board->cycles[board->next] : 0;
}

// SLEEP would pass the time in real time.
static void sleep_no_longer(avr_t *avr, avr_cycle_count_t how_long) {
    (void)avr;
    (void)how_long;
}

static void sent(struct avr_irq_t *irq, uint32_t value, void *param) {
    (void)irq;
    struct board *board = param;
    if (board->len == board->room) {
        board->room = board->room ? 2 * board->room : 4096;
        board->bytes = realloc(board->bytes, board->room);
        board->sent_at = realloc(board->sent_at, board->room * sizeof *board->sent_at);
    }
    board->sent_at[board->len] = board->avr->cycle;
    board->bytes[board->len++] = value;
}

#define TCCR1B 0x81
#define ICR1L 0x86
#define ICR1H 0x87

static void timer_set(struct avr_irq_t *irq, uint32_t value, void *param) {
    (void)irq;
    struct board *board = param;
    if (value & 7 && !board->started) board->started = board->avr->cycle;
}

// The high byte of a capture is read: the low one has just been.
static void capture_read(struct avr_irq_t *irq, uint32_t value, void *param) {
    (void)irq, (void)value;
    struct board *board = param;
    const uint8_t *data = board->avr->data;
    uint64_t now = (board->avr->cycle - board->started) / 8;
    uint16_t age = now - (data[ICR1L] | data[ICR1H] << 8);
    if (board->captured == board->capture_room) {
        board->capture_room = board->capture_room ? 2 * board->capture_room : 4096;
        board->captures = realloc(board->captures, board->capture_room * sizeof *board->captures);
    }
    board->captures[board->captured++] = now - age;
}

static void running(struct avr_irq_t *irq, uint32_t value, void *param) {
    (void)irq;
    struct vector *vector = param;
    struct board *board = vector->board;
    if (value) {
        board->entered[vector->number] = board->avr->cycle;
    } else if (board->entered[vector->number]) {
        uint64_t cycles = board->avr->cycle - board->entered[vector->number];
        board->entered[vector->number] = 0;
        board->interrupted += cycles;
        count(&board->interrupts[vector->number], cycles);
    }
}

// Standard output is for the serial bytes.
static void say_nothing(avr_t *avr, const int level, const char *format, va_list args) {
    (void)avr, (void)level, (void)format, (void)args;
}

struct board *board_new(const char *elf, char port, int pin) {
    avr_global_logger_set(say_nothing);
    elf_firmware_t firmware;
    memset(&firmware, 0, sizeof firmware);
    if (elf_read_firmware(elf, &firmware) != 0) return NULL;
    struct board *board = calloc(1, sizeof *board);
    avr_t *avr = board->avr = avr_make_mcu_by_name("atmega328p");
    if (!avr) return NULL;
    avr_init(avr);
    avr->log = 1;
    firmware.frequency = 16000000;
    avr_load_firmware(avr, &firmware);
    avr->frequency = 16000000;
    avr->sleep = sleep_no_longer;
    board->pin = avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ(port), pin);
    uint32_t flags = 0;
    avr_ioctl(avr, AVR_IOCTL_UART_GET_FLAGS('0'), &flags);
    flags &= ~(AVR_UART_FLAG_STDIO | AVR_UART_FLAG_POLL_SLEEP);
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), sent, board);
    avr_irq_register_notify(avr_iomem_getirq(avr, TCCR1B, NULL, AVR_IOMEM_IRQ_ALL), timer_set, board);
    avr_irq_register_notify(avr_iomem_getirq(avr, ICR1H, NULL, AVR_IOMEM_IRQ_ALL), capture_read, board);
    for (int v = 1; v < VECTORS; v++) {
        avr_irq_t *irq = avr_get_interrupt_irq(avr, v);
        if (!irq) continue;
        vectors[v] = (struct vector){board, v};
        avr_irq_register_notify(irq + AVR_INT_IRQ_RUNNING, running, &vectors[v]);
    }
    return board;
}

// The edges, in order; both arrays must outlive the board.
void board_edges(struct board *board, const uint64_t *cycles, const uint8_t *levels, size_t edges) {
    board->cycles = cycles;
    board->levels = levels;
    board->edges = edges;
    if (edges) avr_cycle_timer_register(board->avr, cycles[0], play, board);
}

// Paints what is free between the variables, which end at `from`, and the top of the stack.
void board_paint(struct board *board, uint16_t from) {
    board->paint_from = from;
    memset(board->avr->data + from, PAINT, board->avr->ramend - from + 1);
}

// Bytes of stack that were ever used.
uint16_t board_stack(const struct board *board) {
    uint32_t at = board->paint_from;
    while (at <= board->avr->ramend && board->avr->data[at] == PAINT) at++;
    return board->avr->ramend + 1 - at;
}

int board_watch(struct board *board, uint32_t entry) {
    if (board->span_count == MOST_SPANS) return -1;
    board->spans[board->span_count].entry = entry;
    return board->span_count++;
}

static uint16_t stack(const avr_t *avr) { return avr->data[R_SPL] | avr->data[R_SPH] << 8; }

static void look(struct board *board) {
    avr_t *avr = board->avr;
    for (int i = 0; i < board->span_count; i++) {
        struct span *span = &board->spans[i];
        if (!span->inside && avr->pc == span->entry) {
            span->inside = 1;
            span->stack = stack(avr);
            // The return address, in words, high byte first.
            span->back = 2 * (avr->data[span->stack + 1] << 8 | avr->data[span->stack + 2]);
            span->began = avr->cycle;
            span->interrupted = board->interrupted;
        } else if (span->inside && avr->pc == span->back && stack(avr) == span->stack + 2) {
            span->inside = 0;
            count(&span->cost, avr->cycle - span->began - (board->interrupted - span->interrupted));
        }
    }
}

// Runs to `cycle`; false if the processor has stopped before.
int board_run(struct board *board, uint64_t cycle) {
    avr_t *avr = board->avr;
    // Instruction by instruction where functions are watched, else from timer to timer.
    if (board->span_count) avr->run_cycle_limit = 1;
    while (avr->cycle < cycle) {
        int state = avr_run(avr);
        if (state == cpu_Done || state == cpu_Crashed) return 0;
        if (board->span_count) look(board);
    }
    return 1;
}

size_t board_sent(const struct board *board, const uint8_t **bytes, const uint64_t **at) {
    *bytes = board->bytes;
    *at = board->sent_at;
    return board->len;
}

size_t board_captures(const struct board *board, const uint64_t **captures) {
    *captures = board->captures;
    return board->captured;
}

uint64_t board_started(const struct board *board) { return board->started; }

struct cost board_interrupt(const struct board *board, int vector) { return board->interrupts[vector]; }

struct cost board_span(const struct board *board, int span) { return board->spans[span].cost; }
