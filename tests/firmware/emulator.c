/*
 * Runs the microcontroller program in an instruction-level emulator (simavr), its analog pins fed from a
 * file and its serial port on a pseudo-terminal.
 *
 *   emulator FIRMWARE.elf WAVEFORM.f32 CHANNELS WAVE_RATE PACE
 *
 * WAVEFORM.f32: little-endian floats, millivolts, CHANNELS interleaved, WAVE_RATE rows a second; the last
 * row stays. PACE 1 is real time, 0 as fast as the reader takes it, paused while the pseudo-terminal is
 * full. A line `port NAME` on stdout tells the terminal; on SIGTERM a line `conversions` tells those of
 * input 0: count, and the least and greatest number of cycles between two of them. SIGUSR1 forgets those.
 */
#define _GNU_SOURCE
#include <fcntl.h>
#include <pty.h>
#include <signal.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include <simavr/avr_adc.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_elf.h>
#include <simavr/sim_irq.h>

static avr_t *avr;
static avr_irq_t *adc_in[8];
static float *wave;
static long rows, columns;
static double wave_rate;
static int master, slave;
static volatile sig_atomic_t stopping;
static uint8_t waiting[1 << 16];
static size_t waiting_count;

static uint64_t conversions, last_cycle, least = UINT64_MAX, greatest;

static volatile sig_atomic_t forgetting;

static void on_signal(int number)
{
    if (number == SIGTERM)
        stopping = 1;
    else
        forgetting = 1;
}

/* The converter is about to sample: put the waveform of this very cycle on its pins. */
static void on_adc(struct avr_irq_t *irq, uint32_t value, void *parameter)
{
    (void)irq;
    (void)parameter;
    union {
        avr_adc_mux_t mux;
        uint32_t word;
    } asked = {.word = value};
    long row = (long)((double)avr->cycle / (double)avr->frequency * wave_rate);
    if (row >= rows)
        row = rows - 1;
    for (long i = 0; i < columns && i < 8; i++)
        avr_raise_irq(adc_in[i], (uint32_t)wave[row * columns + i]);
    if (asked.mux.src == 0) {
        if (conversions++ > 0) {
            uint64_t between = avr->cycle - last_cycle;
            if (between < least)
                least = between;
            if (between > greatest)
                greatest = between;
        }
        last_cycle = avr->cycle;
    }
}

static void flush_out(void)
{
    while (waiting_count) {
        ssize_t written = write(master, waiting, waiting_count);
        if (written <= 0)
            return;
        waiting_count -= (size_t)written;
        for (size_t i = 0; i < waiting_count; i++)
            waiting[i] = waiting[(size_t)written + i];
    }
}

static void on_byte_out(struct avr_irq_t *irq, uint32_t value, void *parameter)
{
    (void)irq;
    (void)parameter;
    if (waiting_count < sizeof waiting)
        waiting[waiting_count++] = (uint8_t)value;
}

/* Sleep is real time to the emulator; the program here never sleeps, so there is nothing to wait for. */
static void no_sleep(avr_t *which, avr_cycle_count_t cycles)
{
    (void)which;
    (void)cycles;
}

int main(int argc, char **argv)
{
    if (argc != 6) {
        fprintf(stderr, "usage: emulator FIRMWARE.elf WAVEFORM.f32 CHANNELS WAVE_RATE PACE\n");
        return 2;
    }
    columns = atol(argv[3]);
    wave_rate = atof(argv[4]);
    int paced = atoi(argv[5]);
    FILE *file = fopen(argv[2], "rb");
    if (!file)
        return 2;
    fseek(file, 0, SEEK_END);
    long size = ftell(file);
    rewind(file);
    wave = malloc((size_t)size);
    if (fread(wave, 1, (size_t)size, file) != (size_t)size)
        return 2;
    fclose(file);
    rows = size / (long)sizeof(float) / columns;

    elf_firmware_t firmware = {0};
    if (elf_read_firmware(argv[1], &firmware))
        return 2;
    avr = avr_make_mcu_by_name("atmega328p");
    if (!avr || avr_init(avr))
        return 2;
    firmware.frequency = 16000000;
    avr_load_firmware(avr, &firmware);
    avr->frequency = 16000000;
    avr->vcc = avr->avcc = avr->aref = 5000;
    avr->sleep = no_sleep;
    avr->log = 0;

    char name[128];
    if (openpty(&master, &slave, name, NULL, NULL))
        return 2;
    struct termios raw;
    tcgetattr(slave, &raw);
    cfmakeraw(&raw);
    tcsetattr(slave, TCSANOW, &raw);
    fcntl(master, F_SETFL, O_NONBLOCK);
    signal(SIGTERM, on_signal);
    signal(SIGUSR1, on_signal);
    signal(SIGPIPE, SIG_IGN);
    printf("\nport %s\n", name);
    fflush(stdout);

    uint32_t flags = 0;
    avr_ioctl(avr, AVR_IOCTL_UART_GET_FLAGS('0'), &flags);
    flags &= ~(uint32_t)(AVR_UART_FLAG_STDIO | AVR_UART_FLAG_POLL_SLEEP);
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), on_byte_out, NULL);
    avr_irq_t *uart_in = avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT);
    for (int i = 0; i < 8; i++)
        adc_in[i] = avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_ADC0 + i);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_OUT_TRIGGER), on_adc, NULL);

    struct timespec start, now;
    clock_gettime(CLOCK_MONOTONIC, &start);
    const uint64_t slice = 16000; /* one millisecond of the microcontroller's time */
    uint64_t next_byte_in = 0;
    while (!stopping) {
        uint64_t until = avr->cycle + slice;
        while (avr->cycle < until) {
            int state = avr_run(avr);
            if (state == cpu_Done || state == cpu_Crashed)
                return 1;
        }
        if (forgetting) {
            forgetting = 0;
            conversions = greatest = 0;
            least = UINT64_MAX;
        }
        flush_out();
        while (!stopping && waiting_count > 4096) {
            usleep(500); /* the reader is behind */
            flush_out();
        }
        if (avr->cycle >= next_byte_in) { /* one byte a millisecond is plenty for commands */
            uint8_t byte;
            if (read(master, &byte, 1) == 1)
                avr_raise_irq(uart_in, byte);
            next_byte_in = avr->cycle + slice;
        }
        if (paced) {
            clock_gettime(CLOCK_MONOTONIC, &now);
            double ahead = (double)avr->cycle / 16e6 - (double)(now.tv_sec - start.tv_sec) -
                           (double)(now.tv_nsec - start.tv_nsec) / 1e9;
            if (ahead > 0)
                usleep((useconds_t)(ahead * 1e6));
        }
    }
    printf("conversions %llu %llu %llu\n", (unsigned long long)conversions, (unsigned long long)least,
           (unsigned long long)greatest);
    return 0;
}
